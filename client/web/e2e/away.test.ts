// While the server is away: the page opens again, strokes are kept over two reloads, and an old page gives way
// to a new one without going round and round.
import type { Page } from 'playwright-core';
import { expect, test } from 'vitest';
import { BLUETOOTH_ARGS, startBluez } from './ble/bluez';
import { chooser } from './ble/chooser';
import { PATIENCE, PHONE, Rowed, face, inOrder, joined, launched, left, opened, toStop, until } from './seated';
import { open } from './stage';

/** What this browser's own disk holds of recordings. */
async function disk(page: Page): Promise<{ seqs: number[]; dms: number[]; waiting: number[] }> {
  return page.evaluate(async () => {
    const done = <Got>(asked: IDBRequest<Got>) =>
      new Promise<Got>((resolve, reject) => {
        asked.onsuccess = () => resolve(asked.result);
        asked.onerror = () => reject(asked.error ?? new Error('no reason'));
      });
    const db = await done(indexedDB.open('thole'));
    const reading = db.transaction(['samples', 'waiting']);
    const [samples, waiting] = await Promise.all([done(reading.objectStore('samples').getAll()), done(reading.objectStore('waiting').getAll())]);
    db.close();
    return {
      seqs: samples.map(({ seq }) => Number(seq)).sort((a, b) => a - b),
      dms: samples.map(({ distance_dm }) => Number(distance_dm)),
      waiting: waiting.map(({ said }) => Number(said.distance_dm)),
    };
  });
}

const keeps = (page: Page) => page.waitForFunction(() => navigator.serviceWorker.controller !== null);

test('rowed while the server is dead, over two reloads of the page: nothing is lost', { timeout: 180_000 }, async () => {
  const SPEED = 4;
  const radio = await startBluez([{ key: 'row7', name: 'Row 7', kind: 'rower' }]);
  toStop.push(() => radio.stop());
  const hall = await opened({ title: 'Evening at the mill', piece: '1130m', speed: SPEED, athletes: [{ name: 'Ana Quill', target: '4:40' }] });
  const { page } = await joined(await launched(BLUETOOTH_ARGS, radio.env), hall.join, 'Ana Quill');
  let durable = 0;
  page.on('websocket', (socket) =>
    socket.on('framereceived', ({ payload }) => {
      const [, through] = /"type":"ack".*?"through_seq":(\d+)/.exec(String(payload)) ?? [];
      durable = Number(through ?? durable);
    }),
  );
  await chooser(await page.context().newCDPSession(page), { does: 'pick', device: 'Row 7' });
  const machine = new Rowed(radio, SPEED);
  toStop.push(() => machine.stop());
  const link = () => page.getByRole('button', { name: 'Link the machine' }).click(PATIENCE);

  await link();
  machine.row();
  await page.getByText('Your strokes are coming through.').waitFor(PATIENCE);
  machine.rest();
  await keeps(page);
  hall.say('arm');
  hall.say('start');
  await face(page, 'rowing');
  const startedAt = machine.metres;
  machine.row();
  await until(async () => (await left(page)) < 1_060, 'metres that are left');
  await hall.killServer();
  await page.getByText('offline').waitFor(PATIENCE);
  await until(async () => (await left(page)) < 1_000, 'metres without the server');

  for (const metres of [60, 60]) {
    await page.reload();
    await page.getByRole('heading', { name: 'Not connected yet' }).waitFor(PATIENCE);
    await link();
    await page.getByText('What you row is kept on this device.').waitFor(PATIENCE);
    expect(await page.locator('main').innerText()).not.toContain('ten easy strokes');
    const from = machine.metres;
    await until(() => machine.metres - from > metres, 'metres on the page that was loaded anew');
  }
  await inOrder(page, 'away');
  const before = await disk(page);
  expect(before.waiting.length).toBeGreaterThan(20);
  await hall.startServer();
  await face(page, 'rowing');
  // Where one is, by own numbers, counts what was rowed on all three pages.
  await until(async () => Math.abs((await left(page)) - (1_130 + startedAt - machine.metres)) < 25, 'the metres of all three pages');
  await page.getByRole('heading', { name: 'You finished in' }).waitFor({ timeout: 90_000 });
  machine.rest();
  const said = await page.locator('main').innerText();
  expect(said).toMatch(/Rowed\s*1130m/);
  for (const mark of ['was reset', 'came well after']) expect(said).not.toContain(mark);
  const after = await disk(page);
  expect(after.waiting).toEqual([]);
  // One number after the other, every report that had waited among them, all of it durable.
  expect(after.seqs).toEqual(Array.from({ length: after.seqs.length }, (_, nth) => nth + 1));
  expect(before.waiting.filter((dm) => !after.dms.includes(dm))).toEqual([]);
  await until(() => durable >= (before.seqs.at(-1) ?? 0) + before.waiting.length, 'the server to have all of it');
});

test('what the browser keeps of the page is this build’s alone, and no code or secret is in it', async () => {
  const hall = await opened({ title: 'Evening at the mill', piece: '850m', speed: 1, athletes: [{ name: 'Bo Ek', target: '4:00' }] });
  const { page, wrong } = await joined(await launched(), hall.join, 'Bo Ek');
  await keeps(page);
  const kept = () =>
    page.evaluate(async () => {
      const names = await caches.keys();
      const all = await Promise.all(names.map(async (name) => (await (await caches.open(name)).keys()).map(({ url }) => url)));
      return { names, urls: all.flat() };
    });
  const build = await page.locator('meta[name="thole-build"]').getAttribute('content');
  const { names, urls } = await kept();
  expect(names).toEqual([`thole page ${build}`]);
  const origin = new URL(page.url()).origin;
  expect(urls).toContain(`${origin}/row/`);
  expect(urls.length).toBeGreaterThan(5);
  expect(urls.filter((url) => !/\/(row\/|icon\.svg|assets\/[\w.-]+)$/.test(url))).toEqual([]);
  // What an older build has left goes when the keeper of this one comes.
  await page.evaluate(async () => {
    await caches.open('thole page 0.0.1+00c0ffee');
    await caches.open('of somebody else');
    for (const keeper of await navigator.serviceWorker.getRegistrations()) await keeper.unregister();
  });
  await page.reload();
  await until(async () => !(await kept()).names.includes('thole page 0.0.1+00c0ffee'), 'the older build to be gone');
  expect((await kept()).names.sort()).toEqual(['of somebody else', `thole page ${build}`]);
  expect(wrong).toEqual([]);
});

test('a page of an older build loads itself anew once, says so, and never in a piece', { timeout: 120_000 }, async () => {
  const hall = await opened({ title: 'Evening at the mill', piece: '330m', speed: 5, athletes: [{ name: 'Bo Ek', target: '1:40' }] });
  const { page } = await open(await launched(), 'about:blank', PHONE);
  let [build, loads] = ['', 0];
  let cut = (): void => undefined;
  await page.routeWebSocket(/\/ws$/, (socket) => {
    const server = socket.connectToServer();
    server.onMessage((said) => socket.send(build === '' ? said : String(said).replace(/("type":"welcome".*?"build":")[^"]*/, `$1${build}`)));
    cut = () => void socket.close({ code: 1012 });
  });
  page.on('load', () => (loads += 1));
  await page.goto(hall.join);
  await page.getByLabel('Your name').fill('Bo Ek');
  await page.getByRole('button', { name: 'Join' }).click();
  await page.getByRole('button', { name: 'I have read this' }).click();
  await page.getByRole('button', { name: 'demo rower' }).click();
  await page.getByText('You are ready.').waitFor(PATIENCE);
  expect(loads).toBe(1);
  const comesBack = async () => {
    cut();
    await page.waitForEvent('websocket', PATIENCE);
  };

  // The server is of another build now; this page comes back as it was, however often it is asked for.
  build = '9.9.1+0b0e';
  await comesBack();
  await page.getByText('There is a newer version of this page.').waitFor(PATIENCE);
  await until(() => loads === 2, 'the page to be loaded anew');
  await comesBack();
  await page.getByText('There is a newer version of this page.').waitFor(PATIENCE);
  await page.waitForTimeout(1_500);
  expect(loads).toBe(2);

  // And another one: about to start, and while it is rowed, the page stays.
  // The demo rower sits there again by itself.
  await page.getByText('You are ready.').waitFor(PATIENCE);
  hall.say('arm');
  await page.getByText('the count may come at any moment').waitFor(PATIENCE);
  build = '9.9.2+0b0f';
  await comesBack();
  await page.getByText('There is a newer version of this page.').waitFor(PATIENCE);
  hall.say('start');
  await face(page, 'rowing');
  await until(async () => (await left(page)) < 250, 'the demo rower to row');
  await comesBack();
  await until(async () => (await left(page)) < 200, 'rowing to go on');
  expect(loads).toBe(2);
  await page.getByRole('heading', { name: 'You finished in' }).waitFor(PATIENCE);
  hall.say('close');
  await until(() => loads === 3, 'the page to be loaded anew after the piece');
  await page.getByRole('heading', { name: 'You finished in' }).waitFor(PATIENCE);
  await page.waitForTimeout(1_500);
  expect(loads).toBe(3);
});
