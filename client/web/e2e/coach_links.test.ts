// How people get in, as the coach hands it out: QR codes that are right, a personal link that is renewed, and a call
// that waits while the page is opened anew.
import type { Page } from 'playwright-core';
import { encode } from 'uqr';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { Coaching, LAPTOP, codeOn, openEffects, openStep, setPiece, shot, sound, start } from './coaching';
import { open } from './stage';

const SPEED = 3;
const TEST_MS = 120_000;

let hall: Coaching;
beforeAll(async () => (hall = await Coaching.open(SPEED)));
afterAll(() => hall?.close());

/** The dark squares that are drawn, row by row; an empty text is light. */
function squares(page: Page, label: string): Promise<string> {
  return page.getByRole('img', { name: label, exact: true }).locator('path').getAttribute('d').then((d) => d ?? '');
}

/** The same of the matrix that the library makes of a text, with the quiet zone of four squares. */
function matrix(text: string): string {
  const { data } = encode(text, { border: 4, ecc: 'M' });
  return data.flatMap((row, y) => row.flatMap((dark, x) => (dark ? [`M${x} ${y}h1v1h-1z`] : []))).join('');
}

test('QR codes hold the links that stand beside them; a new personal link ends the old one', { timeout: TEST_MS }, async () => {
  const { page, wrong, asked } = await hall.made('Saturday at Mill Lock');
  await setPiece(page, '1700m');
  await openStep(page, 'roster');
  await page.getByLabel('Add athletes').fill('Ida Fenn, Heron, 7:06\nBo Quist');
  await page.getByRole('button', { name: 'Add 2' }).click();
  const code = await codeOn(page);
  await openStep(page, 'share');
  const join = await page.locator('.join .link').innerText();
  expect(join).toBe(`${hall.base}/row/${code.replace(' ', '')}`);
  expect(await squares(page, 'QR code of the page to join')).toBe(matrix(join));

  // The links of the roster are kept on this device: what is copied is what the code holds.
  await page.context().grantPermissions(['clipboard-read', 'clipboard-write']);
  const copied = async (): Promise<string> => {
    await page.getByRole('button', { name: 'Copy the link of Ida Fenn' }).click();
    await page.getByText('The link of Ida Fenn is copied.').waitFor();
    return page.evaluate(() => navigator.clipboard.readText());
  };
  const first = await copied();
  expect(new URL(first).hash.length).toBeGreaterThan(20);
  await page.getByRole('button', { name: 'QR code of Ida Fenn' }).click();
  const own = 'QR code of the personal link of Ida Fenn';
  await expect.poll(() => squares(page, own)).toBe(matrix(first));
  expect(matrix(first)).not.toBe(matrix(join));

  const ida = await open(hall.browser, first, LAPTOP);
  await ida.page.getByText('Ida Fenn').first().waitFor();
  await page.getByRole('button', { name: 'New link for Ida Fenn' }).click();
  await page.getByText('There is a new link for Ida Fenn: hand it over. The old one no longer opens anything.').waitFor();
  await sound(page, 'new-link');
  const second = await copied();
  expect(second).not.toBe(first);
  await expect.poll(() => squares(page, own)).toBe(matrix(second));
  const late = await open(hall.browser, first, LAPTOP);
  await late.page.waitForTimeout(1_500);
  expect(await late.page.locator('main').innerText()).not.toContain('7:06');
  const fresh = await open(hall.browser, second, LAPTOP);
  await fresh.page.getByText('Ida Fenn').first().waitFor();

  // Whoever was in by the old one is out, and told why.
  await ida.page.getByText('a newer one took its place').waitFor();
  await shot(ida.page, 'athlete-new-link');

  // The gym TV's link is renewed the same way.
  const boardLink = async (): Promise<string> => {
    await page.getByRole('button', { name: 'Copy the board’s link' }).click();
    await page.getByText('The board’s link is copied.').waitFor();
    return page.evaluate(() => navigator.clipboard.readText());
  };
  const shown = await boardLink();
  const tv = await open(hall.browser, shown, LAPTOP);
  await tv.page.getByText('Ida Fenn').first().waitFor();
  await page.getByRole('button', { name: 'New link for the gym TV' }).click();
  await page.getByText('There is a new link for the gym TV: open it there.').waitFor();
  await tv.page.getByText('a newer one took its place').waitFor();
  expect(await tv.page.locator('main').innerText()).not.toContain('Ida Fenn');
  await shot(tv.page, 'board-new-link');
  const newer = await boardLink();
  expect(newer).not.toBe(shown);
  // It is kept on this device.
  await page.reload();
  await page.getByRole('button', { name: 'Prepare', exact: true }).click();
  await openStep(page, 'share');
  await page.getByText(newer).waitFor();
  // The page is open there: it loads itself anew.
  await tv.page.goto(newer);
  await tv.page.getByText('Ida Fenn').first().waitFor();

  const secrets = [first, second, shown, newer].map((link) => new URL(link).hash.slice(1));
  expect(asked.filter((url) => secrets.some((secret) => url.split('#')[0]?.includes(secret)))).toEqual([]);
  expect(wrong).toEqual([]);
  for (const one of [ida, late, fresh, tv]) await one.page.close();
  await page.close();
});

test('a call that waits still waits after a reload, and goes out or is taken back', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await hall.made('Still waiting');
  await setPiece(page, '1700m');
  // Five seconds of the session are less than two here.
  await openStep(page, 'calls');
  await page.getByLabel('Time to take it back').selectOption('5000');
  const told = hall.row(await codeOn(page), 'Ruben Tal', '7:06');
  await start(page, 'The one athlete here is ready.');
  await page.waitForTimeout(3_000);
  await page.keyboard.press('KeyE');
  await page.locator('.armed').getByText('Legs first').waitFor();
  await page.reload();
  await page.locator('.armed').getByText('Legs first').waitFor({ timeout: 1_500 });
  await page.keyboard.press('Escape');
  await page.locator('.armed').waitFor({ state: 'detached' });
  await page.keyboard.press('KeyQ');
  await page.locator('.armed').getByText('Sit tall').waitFor();
  await page.reload();
  await page.locator('.armed').getByText('Sit tall').waitFor({ timeout: 1_500 });
  await page.locator('.running').getByText('Sit tall').waitFor();
  await expect.poll(() => told.some((line) => line.includes('Sit tall')), { timeout: 10_000 }).toBe(true);
  expect(told.filter((line) => line.includes('Legs first'))).toEqual([]);
  await openEffects(page);
  expect(await page.locator('.effects li').filter({ hasText: 'Legs first' }).count()).toBe(0);
  expect(wrong).toEqual([]);
  await page.close();
});

test('what an old link has not brought to the server comes by the new one; who else sits down there begins anew', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await hall.made('Sunday at Mill Lock');
  await setPiece(page, '1700m');
  await openStep(page, 'roster');
  await page.getByLabel('Add athletes').fill('Ida Fenn, Heron, 7:06\nBo Quist, , 7:20');
  await page.getByRole('button', { name: 'Add 2' }).click();
  await page.context().grantPermissions(['clipboard-read', 'clipboard-write']);
  const linkOf = async (name: string): Promise<string> => {
    await page.getByRole('button', { name: `Copy the link of ${name}` }).click();
    await page.getByText(`The link of ${name} is copied.`).waitFor();
    return page.evaluate(() => navigator.clipboard.readText());
  };
  await openStep(page, 'share');
  const [old, other] = [await linkOf('Ida Fenn'), await linkOf('Bo Quist')];

  /** What the phone says, in order; and up to which number each recording is known to be durable. */
  const said: { type: string; run?: string }[] = [];
  const durable = new Map<string, number>();
  let [isAway, cut] = [false, (): void => undefined];
  const phone = await open(hall.browser, 'about:blank', LAPTOP);
  await phone.page.routeWebSocket(/\/ws$/, (socket) => {
    if (isAway) return void socket.close({ code: 1012 });
    const server = socket.connectToServer();
    socket.onMessage((text) => {
      said.push(JSON.parse(String(text)));
      server.send(text);
    });
    server.onMessage((text) => {
      const msg = JSON.parse(String(text));
      if (msg.type === 'ack') durable.set(msg.durable.run, msg.durable.through_seq);
      socket.send(text);
    });
    cut = () => void socket.close({ code: 1012 });
  });
  await phone.page.goto(old);
  await phone.page.getByRole('button', { name: 'I have read this' }).click();
  await phone.page.getByRole('button', { name: 'demo rower' }).click();
  await expect.poll(() => phone.page.locator('main').innerText(), { timeout: 30_000 }).toContain('You are ready.');
  await start(page, 'The other one is ready.');
  await phone.page.locator('main[data-face="rowing"]').waitFor({ timeout: 30_000 });
  const [run = ''] = said.flatMap((msg) => (msg.type === 'hello' && msg.run !== undefined ? [msg.run] : []));
  await expect.poll(() => durable.get(run) ?? 0, { timeout: 15_000 }).toBeGreaterThan(12);

  // Unheard, she rows on; meanwhile her link is renewed.
  isAway = true;
  cut();
  await phone.page.getByText('offline').first().waitFor();
  const heard = durable.get(run) ?? 0;
  await page.getByRole('button', { name: 'Prepare', exact: true }).click();
  await openStep(page, 'share');
  await page.getByRole('button', { name: 'New link for Ida Fenn' }).click();
  await page.getByText('There is a new link for Ida Fenn').waitFor();
  const newer = await linkOf('Ida Fenn');
  await phone.page.waitForTimeout(4_000);
  isAway = false;
  await phone.page.getByText('a newer one took its place').waitFor({ timeout: 20_000 });
  const kept = await phone.page.evaluate(
    () =>
      new Promise<unknown[]>((resolve) => {
        const opening = indexedDB.open('thole');
        opening.onsuccess = () => {
          const asked = opening.result.transaction(['samples']).objectStore('samples').getAllKeys();
          asked.onsuccess = () => resolve(asked.result);
        };
      }),
  );
  const last = Math.max(...kept.flatMap((key) => (Array.isArray(key) && key[0] === run ? [Number(key[1])] : [])));
  expect(last).toBeGreaterThan(heard + 3);
  await phone.page.goto(newer);
  await expect.poll(() => durable.get(run) ?? 0, { timeout: 15_000 }).toBeGreaterThanOrEqual(last);
  await phone.page.locator('main[data-face="rowing"]').waitFor();

  // Somebody else by their own link on this phone: nothing of hers goes out as theirs.
  const before = said.length;
  await phone.page.goto(other);
  await phone.page.getByText('Bo Quist').first().waitFor();
  const since = () => said.slice(before);
  await expect.poll(() => since().filter((msg) => msg.type === 'hello' && msg.run !== run).length, { timeout: 10_000 }).toBe(1);
  await phone.page.waitForTimeout(1_000);
  expect(since().filter(({ type }) => type === 'samples' || type === 'skip')).toEqual([]);
  // And she once more: her recording goes on where it was, with whatever of it the server had not heard.
  const bo = said.length;
  await phone.page.goto(newer);
  await expect.poll(() => said.slice(bo).some((msg) => msg.type === 'hello' && msg.run === run), { timeout: 10_000 }).toBe(true);
  await phone.page.goto(other);
  await phone.page.getByText('Bo Quist').first().waitFor();
  expect(await phone.page.getByRole('button', { name: 'Send the demo rower away' }).count()).toBe(0);
  expect([...wrong, ...phone.wrong]).toEqual([]);
  await phone.page.close();
  await page.close();
});
