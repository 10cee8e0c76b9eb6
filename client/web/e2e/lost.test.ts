// What is lost on the way, or with the server's disk: said again, shown where it was done, and kept on the phone.
import { spawnSync } from 'node:child_process';
import { expect, test } from 'vitest';
import type { Page } from 'playwright-core';
import { PATIENCE, PHONE, face, inOrder, joined, launched, left, opened, until } from './seated';
import { open } from './stage';

const PROGRAM = process.env['THOLE_SERVER_PROGRAM'] ?? '../../target/release/thole-server';

async function ready(page: Page): Promise<void> {
  await page.getByRole('button', { name: 'demo rower' }).click();
  await page.getByText('You are ready.').waitFor(PATIENCE);
}

test('when the server has lost its disk the phone keeps what was rowed, says what to do, and saves it as a recording', { timeout: 120_000 }, async () => {
  const hall = await opened({ title: 'Evening at the mill', piece: '1130m', speed: 5, athletes: [{ name: 'Ana Quill', target: '4:40' }] });
  const { page } = await joined(await launched(), hall.join, 'Ana Quill');
  await ready(page);
  hall.say('arm');
  hall.say('start');
  await face(page, 'rowing');
  await until(async () => (await left(page)) < 900, 'the demo rower to row');
  await hall.killServer();
  await hall.loseDisk();
  await hall.startServer();
  await page.getByRole('heading', { name: 'No longer connected' }).waitFor(PATIENCE);
  const kept = page.getByRole('heading', { name: /\d+ m that you rowed are kept on this device/ });
  await kept.waitFor();
  const metres = Number(/\d+/.exec(await kept.innerText())?.[0]);
  expect(metres).toBeGreaterThan(230);
  await inOrder(page, 'lost');
  // Loaded anew, too, where nothing of the session can be asked for any more.
  await page.reload();
  await kept.waitFor(PATIENCE);
  expect(await kept.innerText()).toContain(`${metres} m`);
  await inOrder(page, 'lost-anew');
  const [file] = await Promise.all([page.waitForEvent('download'), page.getByRole('button', { name: 'Save it as a recording' }).click()]);
  await page.getByText('Saved as').waitFor();
  expect(file.suggestedFilename()).toMatch(/^rowed-[A-Z]{8}\.jsonl$/);
  const read = spawnSync(PROGRAM, ['replay', await file.path()], { encoding: 'utf8' });
  expect(read.stderr).toBe('');
  expect(read.stdout).toContain('Ana Quill');
});

test('what is lost right after it was said is said again; what is refused is shown where it was done', { timeout: 120_000 }, async () => {
  const hall = await opened({ title: 'Evening at the mill', piece: '1130m', speed: 3, athletes: [{ name: 'Bo Ek', target: '4:40' }] });
  const { page } = await open(await launched(), 'about:blank', PHONE);
  /** The next message of this type is lost, and the connection with it; or it is refused. */
  let [loses, refuses] = ['', ''];
  const reached: string[] = [];
  await page.routeWebSocket(/\/ws$/, (socket) => {
    const server = socket.connectToServer();
    socket.onMessage((text) => {
      const { type, command } = JSON.parse(String(text));
      if (type === loses) {
        loses = '';
        return void socket.close({ code: 1012 });
      }
      if (type === refuses) {
        refuses = '';
        return socket.send(JSON.stringify({ type: 'refused', command, refusal: { why: 'limit', says: 'Too much was asked for; wait a minute.' } }));
      }
      reached.push(type);
      server.send(text);
    });
  });
  await page.goto(hall.join);
  await page.getByLabel('Your name').fill('Bo Ek');
  await page.getByRole('button', { name: 'Join' }).click();
  await page.getByRole('button', { name: 'I have read this' }).click();
  await ready(page);

  const plan = page.getByRole('radio', { name: /^Fast start/ });
  loses = 'aim';
  await plan.check();
  await until(() => reached.includes('aim'), 'the plan to be said again');
  await until(() => plan.isChecked(), 'the plan that was chosen to be shown');
  refuses = 'aim';
  await page.getByRole('radio', { name: /^Faster finish/ }).click();
  await page.getByText('Too much was asked for').waitFor();
  await until(() => plan.isChecked(), 'the plan that stands to be shown');
  refuses = 'consent';
  await page.getByLabel('Pass my heart rate on').click();
  await page.getByText('Not accepted: Too much was asked for').waitFor();
  await until(async () => !(await page.getByLabel('Pass my heart rate on').isChecked()), 'the box to be empty again');
  loses = 'consent';
  await page.getByLabel('Pass my heart rate on').check();
  await until(() => reached.includes('consent'), 'the consent to be said again');
  await inOrder(page, 'refused');

  hall.say('arm');
  hall.say('start');
  await face(page, 'rowing');
  await until(async () => (await left(page)) < 1_080, 'the demo rower to row');
  loses = 'stop_rowing';
  await page.getByRole('button', { name: 'Stop' }).click();
  await face(page, 'stopped');
  await until(() => reached.includes('stop_rowing'), 'the stop to be said again');
  await page.getByText('Your coach knows.').waitFor(PATIENCE);
  refuses = 'row_on';
  await page.getByRole('button', { name: 'Row on' }).click();
  await page.getByText('The server did not accept it: Too much was asked for').waitFor();
  await face(page, 'stopped');
  await inOrder(page, 'stop-refused');
  await page.getByRole('button', { name: 'Row on' }).click();
  await face(page, 'rowing');
});
