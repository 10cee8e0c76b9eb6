// A machine linked in a real browser: by real notifications of a daemon without a radio, and by Chromium's
// own emulation for the answers that the daemon cannot give.
import { chromium, type Browser, type Page } from 'playwright-core';
import { createServer, type ViteDevServer } from 'vite';
import { afterAll, afterEach, beforeAll, expect, test } from 'vitest';
import { writePart } from '../../src/machine/ftms';
import { BLUETOOTH_ARGS, startBluez, type Bluez, type MockDevice } from './bluez';
import { chooser, type Pick } from './chooser';
import { emulate, listenIn } from './emulated';

const ARGS = ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'];
const ROW7: MockDevice = { key: 'row7', name: 'Row 7', kind: 'rower' };

let site: ViteDevServer;
let address: string;
const toStop: (() => Promise<unknown>)[] = [];

beforeAll(async () => {
  site = await createServer({ server: { host: '127.0.0.1', port: 0 }, logLevel: 'error' });
  await site.listen();
  address = site.resolvedUrls?.local[0] ?? '';
});
afterAll(() => site.close());
afterEach(async () => {
  for (const stop of toStop.splice(0).reverse()) await stop();
});

async function open(pick: Pick, env?: Record<string, string>): Promise<{ browser: Browser; page: Page; lists: Awaited<ReturnType<typeof chooser>> }> {
  const browser = await chromium.launch({
    executablePath: process.env['CHROMIUM'] ?? '/usr/bin/chromium',
    args: [...ARGS, ...BLUETOOTH_ARGS],
    ...(env === undefined ? {} : { env }),
  });
  toStop.push(() => browser.close());
  const page = await browser.newPage();
  const lists = await chooser(await page.context().newCDPSession(page), pick);
  return { browser, page, lists };
}

async function bluez(...devices: readonly MockDevice[]): Promise<Bluez> {
  const started = await startBluez(devices);
  toStop.push(() => started.stop());
  return started;
}

const says = (page: Page, what: string, kind = 'rower') => page.locator(`#${kind}-says`, { hasText: what }).waitFor();
const samples = (page: Page) => page.evaluate(() => window.heard.samples);
/** Until this many samples that are not the standing word of a silent machine. */
const heard = (page: Page, distance_dm: number) =>
  page.waitForFunction((wanted) => window.heard.samples.at(-1)?.distance_dm === wanted, distance_dm).then(() => samples(page));

test('linked, a split record, a drop with two refused connects: one recording, one choice', async () => {
  const radio = await bluez(ROW7, { key: 'row9', name: 'Row 9', kind: 'rower' });
  const { page, lists } = await open({ does: 'pick', device: 'Row 7' }, radio.env);
  await page.goto(`${address}e2e/ble/page.html`);
  await page.click('#rower');
  await says(page, 'Row 7 is linked.');

  await radio.notify('row7', writePart({ rate_half_spm: 49, strokes: 40, distance_m: 306, elapsed_s: 71, power_w: 158 }));
  expect((await heard(page, 3_060)).at(-1)).toMatchObject({ distance_dm: 3_060, elapsed_ms: 71_000, strokes: 40, rate_half_spm: 49, power_w: 158 });
  // More than two bytes of metres, in two notifications: nothing comes before the second.
  await radio.notify('row7', writePart({ distance_m: 70_001 }, { more: true }));
  await radio.notify('row7', writePart({ rate_half_spm: 51, strokes: 41 }));
  expect((await heard(page, 700_010)).at(-1)).toMatchObject({ strokes: 41, rate_half_spm: 51 });

  await radio.notify('row7', writePart({ distance_m: 99_999 }, { more: true }));
  await radio.refuseConnects('row7', 2);
  await radio.drop('row7');
  await says(page, 'is lost; this page reconnects by itself');
  await says(page, 'Row 7 is linked.');
  expect(radio.calls.filter(({ call }) => call === 'Connect').length).toBe(4);
  expect(lists.answered()).toBe(1);

  await radio.notify('row7', writePart({ rate_half_spm: 50, strokes: 44 }));
  await radio.notify('row7', writePart({ rate_half_spm: 50, strokes: 45, distance_m: 70_018 }));
  const all = await heard(page, 700_180);
  expect(all.some(({ distance_dm }) => distance_dm === 999_990)).toBe(false);
  expect(all.map(({ heard_ms }) => heard_ms)).toEqual(all.map(({ heard_ms }) => heard_ms).toSorted((a, b) => a - b));
});

test('two hundred notifications in one burst come each once and in order', async () => {
  const radio = await bluez(ROW7);
  const { page } = await open({ does: 'pick', device: 'Row 7' }, radio.env);
  await page.goto(`${address}e2e/ble/page.html`);
  await page.click('#rower');
  await says(page, 'Row 7 is linked.');
  await Promise.all(Array.from({ length: 200 }, (_, nth) => radio.notify('row7', writePart({ strokes: nth, distance_m: 3 * nth + 1 }))));
  const all = (await heard(page, 5_980)).map(({ distance_dm }) => distance_dm / 10);
  expect(all.slice(0, 200)).toEqual(Array.from({ length: 200 }, (_, nth) => 3 * nth + 1));
});

test('a strap beside the machine', async () => {
  const radio = await bluez(ROW7, { key: 'belt', name: 'Belt 3', kind: 'strap' });
  const { page, lists } = await open({ does: 'pick', device: 'Belt 3' }, radio.env);
  await page.goto(`${address}e2e/ble/page.html`);
  await page.click('#strap');
  await says(page, 'Belt 3 is linked', 'strap');
  lists.will({ does: 'pick', device: 'Row 7' });
  await page.click('#rower');
  await says(page, 'Row 7 is linked');
  await radio.notify('belt', '16 8b bf03');
  await radio.notify('row7', writePart({ distance_m: 17 }));
  await heard(page, 170);
  expect(await page.evaluate(() => window.heard.beats.map(({ heart_bpm }) => heart_bpm))).toEqual([139]);
});

test('a bike, a closed list, a refusal: a sentence each, and then it works', async () => {
  const radio = await bluez(ROW7, { key: 'bike', name: 'Bike 2', kind: 'bike' });
  const { page, lists } = await open({ does: 'pick', device: 'Bike 2' }, radio.env);
  await page.goto(`${address}e2e/ble/page.html`);
  await page.click('#rower');
  await says(page, 'This does not report what a rowing machine does');
  lists.will({ does: 'close' });
  await page.click('#rower');
  await says(page, 'Nothing was picked');
  lists.will({ does: 'pick', device: 'Row 7' });
  await radio.refuseSubscribes('row7', 1);
  await page.click('#rower');
  await says(page, 'does not hand out its data');
  await page.click('#rower');
  await says(page, 'Row 7 is linked.');
  await radio.notify('row7', writePart({ distance_m: 9 }));
  await heard(page, 90);
});

test('no adapter', async () => {
  const radio = await bluez();
  const { page } = await open({ does: 'close' }, radio.env);
  await page.goto(`${address}e2e/ble/page.html`);
  await page.click('#rower');
  await says(page, 'This device has no Bluetooth, or it is off');
});

test('in emulation: refused subscribe, closed list, then linked, heard, dropped and back', async () => {
  const { browser, page, lists } = await open({ does: 'close' });
  const machine = await emulate(await browser.newBrowserCDPSession(), 'Row 5');
  await listenIn(page);
  await page.goto(`${address}e2e/ble/page.html`);
  await page.click('#rower');
  await says(page, 'Nothing was picked');
  lists.will({ does: 'pick', device: machine.address });
  machine.will({ subscribe: 5 });
  await page.click('#rower');
  await says(page, 'does not hand out its data');
  machine.will({ subscribe: 0 });
  await page.click('#rower');
  await says(page, 'Row 5 is linked.');
  await machine.say(page, writePart({ distance_m: 30, strokes: 4 }));
  await heard(page, 300);
  await machine.drop();
  await says(page, 'reconnects by itself');
  await says(page, 'Row 5 is linked.');
  await machine.say(page, writePart({ distance_m: 47, strokes: 6 }));
  await heard(page, 470);
});

test('on a page that is not secure no link can be had, and it says so', async () => {
  const radio = await bluez(ROW7);
  const { page } = await open({ does: 'close' }, radio.env);
  // A name that is not this computer's own, answered by the test itself: a secure context it is not.
  await page.route('http://gym.test/**', async (route) => {
    const { pathname } = new URL(route.request().url());
    await route.fulfill({ response: await route.fetch({ url: new URL(pathname, address).href }) });
  });
  await page.goto('http://gym.test/e2e/ble/page.html');
  await says(page, 'secure pages alone');
});
