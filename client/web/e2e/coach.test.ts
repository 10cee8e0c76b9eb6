// A coach leads a session from an empty page to the results, with real athletes, in a real browser.
import { spawn, type ChildProcess } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { createInterface } from 'node:readline';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { launch, open, violations } from './stage';

const PROGRAM = process.env['THOLE_SERVER_PROGRAM'] ?? '../../target/release/thole-server';
const ATHLETE = process.env['THOLE_PROGRAM'] ?? join(dirname(PROGRAM), 'thole');
const LAPTOP = { width: 1280, height: 800 };
const TABLET = { width: 820, height: 1180 };
/** Times faster than life: a piece of 900 m takes about 20 s. */
const SPEED = 10;
const TEST_MS = 150_000;
/** The server takes every name that begins so for a setting of its own. */
const ENV = Object.fromEntries(Object.entries(process.env).filter(([name]) => !name.startsWith('THOLE_')));
/** Where the screenshots go, if somebody wants to look at them. */
const SHOTS = process.env['THOLE_SHOTS'];

let browser: Browser;
let server: ChildProcess;
let base = '';
const data = mkdtempSync(join(tmpdir(), 'thole-coach-'));
const rowers: ChildProcess[] = [];

beforeAll(async () => {
  server = spawn(PROGRAM, ['serve', '--listen', '127.0.0.1:0', '--data', data, '--speed', String(SPEED)], { env: ENV, stdio: ['ignore', 'pipe', 'inherit'] });
  if (server.stdout === null) throw new Error('the server has no output');
  for await (const line of createInterface({ input: server.stdout })) {
    const [, address] = /(https?:\/\/127\.0\.0\.1:\d+)/.exec(line) ?? [];
    if (address === undefined) continue;
    base = address;
    break;
  }
  if (base === '') throw new Error(`${PROGRAM} serve has named no address`);
  server.stdout.resume();
  browser = await launch();
});

afterAll(async () => {
  await browser?.close();
  for (const child of [...rowers, server]) await ended(child);
  rmSync(data, { recursive: true, force: true });
});

function ended(child: ChildProcess | undefined): Promise<void> {
  return new Promise((resolve) => {
    if (child === undefined || child.exitCode !== null || child.signalCode !== null) return resolve();
    child.once('exit', () => resolve());
    child.kill('SIGTERM');
  });
}

/** One who rows; what they are told comes as lines. */
function row(code: string, name: string, target: string): string[] {
  const told: string[] = [];
  const args = ['row', '--server', base.replace('http', 'ws'), '--code', code, '--name', name, '--target', target, '--cautions-read', '--stay', '--speed', String(SPEED), '--json'];
  const child = spawn(ATHLETE, args, { env: ENV, stdio: ['ignore', 'pipe', 'inherit'] });
  createInterface({ input: child.stdout }).on('line', (line) => told.push(line));
  rowers.push(child);
  return told;
}

async function shot(page: Page, name: string): Promise<void> {
  if (SHOTS !== undefined) await page.screenshot({ path: join(SHOTS, `${name}.png`) });
}

/** No rule of WCAG 2.2 A and AA is broken, in light and in dark. */
async function sound(page: Page, state: string): Promise<void> {
  for (const theme of ['dark', 'light'] as const) {
    await page.getByLabel('Colours').selectOption(theme);
    expect(await violations(page), `${state}, ${theme}`).toEqual([]);
    await shot(page, `${state}-${theme}`);
  }
}

async function made(title: string): Promise<{ page: Page; wrong: string[]; asked: string[] }> {
  const asked: string[] = [];
  const { page, wrong } = await open(browser, 'about:blank', LAPTOP);
  page.setDefaultTimeout(15_000);
  page.on('request', (request) => asked.push(request.url()));
  await page.goto(`${base}/coach/`);
  await page.getByLabel('Title').fill(title);
  await page.getByRole('button', { name: 'Make the session' }).click();
  await page.getByRole('heading', { name: title }).waitFor();
  return { page, wrong, asked };
}

async function setPiece(page: Page, piece: string, sheet = ''): Promise<void> {
  await page.getByLabel('What is rowed').fill(piece);
  await page.getByLabel('Count-down, s').fill('5');
  if (sheet !== '') {
    await page.getByText('Call sheet and clock').click();
    await page.getByLabel('Call sheet, one call a line').fill(sheet);
  }
  await page.getByRole('button', { name: 'Set the pieces' }).click();
  await page.getByRole('button', { name: 'Change the pieces' }).waitFor();
}

async function hold(page: Page, key: string): Promise<void> {
  await page.keyboard.down(key);
  await page.waitForTimeout(1_250);
  await page.keyboard.up(key);
}

async function codeOn(page: Page): Promise<string> {
  const code = await page.locator('header strong').innerText();
  expect(code).toMatch(/^[A-Z]{4} [A-Z]{4}$/);
  return code;
}

test('from an empty page to the results, by keyboard where it matters', { timeout: TEST_MS }, async () => {
  const { page, wrong, asked } = await made('Thursday at Lantern Quay');
  const secret = new URL(page.url()).hash.slice(1);
  expect(secret.length).toBeGreaterThan(20);

  // Prepare: a wrong line is named, and nothing of it is sent.
  await setPiece(page, '900m', '300m: Long reach for 10 strokes');
  const roster = page.getByLabel('Add athletes');
  await roster.fill('Oda Brandt, Heron, 3:24\nKit Moor, Otter, quick');
  await page.getByText('Line 2: Kit Moor: "quick" is no target').waitFor();
  expect(await page.getByRole('button', { name: 'Add 1' }).isDisabled()).toBe(true);
  await sound(page, 'prepare');
  await roster.fill('Oda Brandt, Heron, 3:24\nKit Moor, Otter, 3:51\nLena Aske, Heron\nSef Duric, Otter, 4:10');
  await page.getByRole('button', { name: 'Add 4' }).click();
  await page.getByRole('heading', { name: '4 in the roster' }).waitFor();
  await page.getByRole('button', { name: 'Lay them on the pad' }).click();
  await page.getByRole('button', { name: 'On the pad' }).waitFor();
  expect(await page.getByRole('img', { name: 'QR code of the page to join' }).count()).toBe(1);
  expect(await page.getByRole('button', { name: 'the link of Sef Duric' }).count()).toBe(1);
  await sound(page, 'prepared');

  // Nobody is here; then all but Lena have a target, and hers is set on her card.
  await page.getByRole('button', { name: 'Piece', exact: true }).click();
  await page.getByText('not here yet, no target: not ranked').waitFor();
  await sound(page, 'gathering');
  const code = await codeOn(page);
  const told = [row(code, 'Oda Brandt', '3:24'), row(code, 'Kit Moor', '3:51'), row(code, 'Lena Aske', '4:02'), row(code, 'Sef Duric', '4:10')];
  await page.getByText('All four are ready.').waitFor();
  await page.getByRole('button', { name: 'Sit ready' }).click();
  await page.getByRole('button', { name: /^Start/ }).waitFor();
  await sound(page, 'armed');
  await page.getByRole('button', { name: /^Start/ }).focus();
  await hold(page, 'Space');
  await page.getByText('until the go').waitFor();

  // The count is stopped by Esc, and started again.
  await page.keyboard.press('Escape');
  await page.getByRole('button', { name: /^Start/ }).waitFor();
  await hold(page, 'Space');
  await page.locator('.small').getByText('Rowing').waitFor();
  expect(await page.getByRole('list', { name: 'The field' }).getByRole('listitem').count()).toBe(4);

  await page.getByText('All four are steady.').waitFor();

  // One key calls, Space sends it at once; the athletes are told.
  await page.keyboard.press('KeyW');
  await page.locator('.armed').getByText('Long reach').waitFor();
  await page.keyboard.press('Space');
  await page.locator('.running').getByText('Long reach').waitFor();
  await expect.poll(() => told.every((lines) => lines.some((line) => line.includes('Long reach'))), { timeout: 10_000 }).toBe(true);
  // Esc ends what stands; a key that is typed into a field calls nobody.
  await page.waitForTimeout(3_200);
  await page.keyboard.press('Escape');
  await page.locator('.block.none, .running').first().waitFor();
  await page.getByLabel('Own words for a call').fill('');
  await page.getByLabel('Own words for a call').press('KeyQ');
  expect(await page.locator('.armed').count()).toBe(0);
  await page.getByLabel('Own words for a call').fill('Easy hands for 8 strokes');
  await page.getByLabel('Own words for a call').press('Enter');
  await page.getByText('Easy hands').first().waitFor();
  await page.keyboard.press('Tab');
  await page.locator('[data-kind="name"]', { hasText: 'Oda Brandt' }).click();
  await page.getByRole('heading', { name: 'Oda Brandt' }).waitFor();
  await sound(page, 'rowing');
  await page.setViewportSize(TABLET);
  await sound(page, 'rowing-tablet');
  await page.setViewportSize(LAPTOP);

  // A reload in mid-piece comes back to the same desk.
  await page.reload();
  await page.getByRole('list', { name: 'The field' }).waitFor();

  // Results stand by themselves, and can be kept.
  await page.getByRole('heading', { name: 'Results' }).waitFor({ timeout: 60_000 });
  await page.locator('tbody tr').nth(3).waitFor();
  await sound(page, 'results');
  const [download] = await Promise.all([page.waitForEvent('download'), page.getByRole('button', { name: 'Keep as a table' }).click()]);
  const table = readFileSync(await download.path(), 'utf8');
  expect(table.split('\r\n').length).toBe(6);
  expect(table).toMatch(/900m,,1,[A-Z][a-z]+ [A-Z][a-z]+,(Heron|Otter),finished,\d:\d\d\.\d,/);
  expect(asked.filter((url) => url.split('#')[0]?.includes(secret))).toEqual([]);
  expect(wrong).toEqual([]);
  await page.close();
});

test('a second device watches, takes command, and the first one watches', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await made('Two devices');
  await setPiece(page, '700m');
  const second = await open(browser, page.url(), TABLET);
  await second.page.getByText('This device watches').waitFor();
  expect(await second.page.getByRole('button', { name: 'Change the pieces' }).isDisabled()).toBe(true);
  await second.page.getByRole('button', { name: 'Take command' }).click();
  await page.getByText('This device watches').waitFor();
  await second.page.getByText('This device watches').waitFor({ state: 'detached' });
  expect(await second.page.getByRole('button', { name: 'Change the pieces' }).isDisabled()).toBe(false);
  await second.page.close();
  expect([...wrong, ...second.wrong]).toEqual([]);
  await page.close();
});

test('a false start, a stop that is held, and the next piece', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await made('False start');
  await setPiece(page, '2x700m/0:20');
  await page.getByRole('button', { name: 'Another piece' }).click();
  await page.getByLabel('What is rowed').nth(1).fill('5min');
  await page.getByRole('button', { name: 'Change the pieces' }).click();
  await page.getByRole('button', { name: 'Lay them on the pad' }).click();
  row(await codeOn(page), 'Ruben Tal', '5:40');
  await page.getByRole('heading', { name: '1 in the roster' }).waitFor();
  await page.getByRole('button', { name: 'Piece', exact: true }).click();
  await page.getByRole('button', { name: 'Sit ready' }).click();
  await page.getByRole('button', { name: /^Start/ }).focus();
  await hold(page, 'Space');
  await page.locator('.small').getByText('Rowing').waitFor();
  // Thirty seconds of the session are three here.
  await hold(page, 'Escape');
  await page.getByRole('button', { name: /^Start/ }).waitFor();
  await hold(page, 'Space');
  await page.locator('.small').getByText('Rowing').waitFor();
  await page.waitForTimeout(3_000);
  // Pressed and let go is nothing; held is a stop.
  const stop = page.getByRole('button', { name: 'Stop', exact: true });
  await stop.focus();
  await page.keyboard.press('Space');
  expect(await stop.count()).toBe(1);
  await hold(page, 'Space');
  await page.getByRole('heading', { name: 'Results' }).waitFor();
  await page.getByText('Stopped by the coach').first().waitFor();
  await page.getByRole('button', { name: 'On to the next piece: 5min' }).click();
  await page.getByRole('heading', { name: '5min', exact: true }).waitFor();
  expect(wrong).toEqual([]);
  await page.close();
});

test('a link that is not whole says so, and a page without one offers to make a session', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await open(browser, `${base}/coach/KAMURETA`, LAPTOP);
  await page.getByText('The link to KAMU RETA is incomplete').waitFor();
  await page.getByLabel("The coach's link").fill(`${base}/coach/KAMURETA`);
  await page.getByRole('button', { name: 'Open', exact: true }).click();
  await page.getByText('This is not the whole link').waitFor();
  await sound(page, 'begin');
  expect(wrong).toEqual([]);
  await page.close();
});
