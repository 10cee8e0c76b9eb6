// Answers the browser's list of Bluetooth devices in a test, as a person would: picks one, or closes it.
import type { CDPSession } from 'playwright-core';

/** What the person does with the list. */
export type Pick =
  | { readonly does: 'pick'; /** Part of the device's name or its address. */ readonly device: string }
  | { readonly does: 'close' };

/** A person before the list. */
export interface Chooser {
  /** What is done with the next list, and with those after it. */
  will(pick: Pick): void;
  /** Lists that were answered. */
  answered(): number;
}

/** Seats somebody before the lists of this page; `page` is a CDP session of the page, not of the browser. */
export async function chooser(page: CDPSession, first: Pick): Promise<Chooser> {
  let pick = first;
  const answered = new Set<string>();
  page.on('DeviceAccess.deviceRequestPrompted', ({ id, devices }) => {
    // One list is told several times, at first often empty; it is answered once.
    if (answered.has(id)) return;
    if (pick.does === 'close') {
      answered.add(id);
      void page.send('DeviceAccess.cancelPrompt', { id });
      return;
    }
    const { device } = pick;
    const found = devices.find((one) => one.name.includes(device) || one.id === device);
    if (found === undefined) return;
    answered.add(id);
    void page.send('DeviceAccess.selectPrompt', { id, deviceId: found.id });
  });
  await page.send('DeviceAccess.enable');
  return { will: (next) => void (pick = next), answered: () => answered.size };
}
