// A rower out of Chromium's own emulation: for answers that a daemon on a bus cannot give. It has no
// notifications (Chromium has no command for them), so values come by a real read of the page's own
// characteristic, which the page hears as the same event; `bluez.ts` has the real ones.
import type { CDPSession, Page } from 'playwright-core';

/** Bluetooth addresses of the block for documentation, RFC 7042 section 2.1.2. */
const ADDRESS = '00:00:5E:00:53:70';

/** How the machine answers. */
export interface Answers {
  /** Error code of the attribute protocol for a subscribe: 5 is "insufficient authentication"; 0 is yes. */
  readonly subscribe: number;
  /** Error code for a connect; 0x3e is "failed to be established". */
  readonly connect: number;
  /** A bike has the service and not Rower Data. */
  readonly machine: 'rower' | 'bike';
}

/** A machine that answers well. */
export const WILLING: Answers = { subscribe: 0, connect: 0, machine: 'rower' };

/** An emulated machine. */
export interface Emulated {
  readonly address: string;
  /** How it answers from now on. */
  will(answers: Partial<Answers>): void;
  /** Lets the page hear a value. */
  say(page: Page, value: Uint8Array): Promise<void>;
  drop(): Promise<void>;
  /** Operations that the page asked for. */
  readonly asked: readonly string[];
}

const long = (number: number) => `0000${number.toString(16).padStart(4, '0')}-0000-1000-8000-00805f9b34fb`;

/** Puts the machine before the browser; `browser` is a CDP session of the browser, not of the page. */
export async function emulate(browser: CDPSession, name: string, first: Answers = WILLING): Promise<Emulated> {
  let answers = first;
  const asked: string[] = [];
  const values: Uint8Array[] = [];
  browser.on('BluetoothEmulation.gattOperationReceived', ({ address, type }) => {
    asked.push(type);
    void (async () => {
      // Services are gone with every link and are there again at every discovery.
      if (type === 'discovery') await addService(browser, answers.machine);
      const code = type === 'connection' ? answers.connect : 0;
      await browser.send('BluetoothEmulation.simulateGATTOperationResponse', { address, type, code });
    })();
  });
  browser.on('BluetoothEmulation.characteristicOperationReceived', ({ characteristicId, type }) => {
    asked.push(type);
    const code = type === 'subscribe-to-notifications' ? answers.subscribe : 0;
    const data = type === 'read' ? Buffer.from(values.shift() ?? []).toString('base64') : undefined;
    void browser.send('BluetoothEmulation.simulateCharacteristicOperationResponse', {
      characteristicId,
      type,
      code,
      ...(data === undefined ? {} : { data }),
    });
  });
  await browser.send('BluetoothEmulation.enable', { state: 'powered-on', leSupported: true });
  await browser.send('BluetoothEmulation.simulatePreconnectedPeripheral', {
    address: ADDRESS,
    name,
    manufacturerData: [],
    knownServiceUuids: [long(0x1826)],
  });
  return {
    address: ADDRESS,
    asked,
    will: (some) => void (answers = { ...answers, ...some }),
    say: async (page, value) => {
      values.push(value);
      await page.evaluate(() => window.bleTest?.read());
    },
    drop: () => browser.send('BluetoothEmulation.simulateGATTDisconnection', { address: ADDRESS }).then(() => undefined),
  };
}

async function addService(browser: CDPSession, machine: Answers['machine']): Promise<void> {
  const { serviceId } = await browser.send('BluetoothEmulation.addService', { address: ADDRESS, serviceUuid: long(0x1826) });
  const { characteristicId } = await browser.send('BluetoothEmulation.addCharacteristic', {
    serviceId,
    characteristicUuid: long(machine === 'rower' ? 0x2ad1 : 0x2ad2),
    properties: { notify: true },
  });
  // Client Characteristic Configuration; without it nobody subscribes.
  await browser.send('BluetoothEmulation.addDescriptor', { characteristicId, descriptorUuid: long(0x2902) });
}

declare global {
  interface Window {
    bleTest?: { read(): Promise<void> };
  }
}

/** To run in the page before its own scripts: keeps the characteristic that the page listens to, for `say`. */
export async function listenIn(page: Page): Promise<void> {
  await page.addInitScript(`
    const { prototype } = BluetoothRemoteGATTCharacteristic;
    const { startNotifications } = prototype;
    prototype.startNotifications = function () {
      window.bleTest = { read: async () => { await this.readValue(); } };
      return startNotifications.call(this);
    };
  `);
}
