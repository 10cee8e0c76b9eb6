// All three pages against the real server: they connect, show the piece, break no rule and say nothing wrong.
import type { Browser } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { demo, launch, open, violations, withQuery, type Demo } from './stage';

const TV = { width: 1920, height: 1080 };
const LAPTOP = { width: 1280, height: 800 };
/** Twelve who row; the free seat is none of the field. */
const ROWERS = 12;
/** Large and near enough for all of them on one page. */
const near = (board: string) => withQuery(withQuery(board, 'diagonal', '75'), 'distance', '4');
const PHONE = { width: 390, height: 844 };

let browser: Browser;
let running: Demo;

beforeAll(async () => {
  running = await demo(5);
  browser = await launch();
});

afterAll(async () => {
  await browser?.close();
  await running?.stop();
});

test('the board shows the class against their own targets, and its secret stays in the fragment', async () => {
  const asked: string[] = [];
  const { page, wrong } = await open(browser, 'about:blank', TV);
  page.on('request', (request) => asked.push(request.url()));
  await page.goto(near(running.board));
  await page.locator('li svg').nth(11).waitFor({ state: 'attached' });
  expect(await page.locator('ol[aria-label="The field"] > li').count()).toBe(ROWERS);
  await page.getByText(/\d+ ahead/).waitFor();
  const secret = new URL(running.board).hash.slice(1);
  expect(asked.length).toBeGreaterThan(3);
  expect(asked.filter((url) => url.split('#')[0]?.includes(secret))).toEqual([]);
  expect(wrong).toEqual([]);
});

test.each<[keyof Demo & ('board' | 'coach' | 'seat'), { width: number; height: number }]>([
  ['board', TV],
  ['coach', LAPTOP],
  ['seat', PHONE],
])('%s breaks no rule of WCAG 2.2 A and AA, in light and in dark', async (who, size) => {
  for (const theme of ['light', 'dark']) {
    const { page, wrong } = await open(browser, withQuery(running[who], 'theme', theme), size);
    // Whoever takes the free seat while others row reads the cautions first.
    const shown = who === 'seat' ? page.getByText('Still to do') : page.getByRole('timer');
    await shown.first().waitFor({ state: 'attached' });
    expect(await violations(page), theme).toEqual([]);
    expect(wrong, theme).toEqual([]);
    await page.close();
  }
});

test('a link without its secret says so', async () => {
  const { page, wrong } = await open(browser, running.board.split('#')[0] ?? '', TV);
  await page.getByRole('heading', { name: 'This link is incomplete' }).waitFor();
  expect(wrong).toEqual([]);
});

test('when the server is gone the page says so, and what stood last stays', async () => {
  const own = await demo(20);
  const { page } = await open(browser, near(own.board), TV);
  await page.locator('li svg').nth(11).waitFor({ state: 'attached' });
  await own.stop();
  await page.getByText('The server is out of reach.').waitFor();
  expect(await page.locator('ol[aria-label="The field"] > li').count()).toBe(ROWERS);
});
