// The board of the gym in every state, with invented athletes who row against the real server.
import type { Browser, Page } from 'playwright-core';
import { afterAll, afterEach, beforeAll, expect, test } from 'vitest';
import { Hall, athletes, type HallConfig } from './hall';
import { launch, open, violations, withQuery } from './stage';

const TV = { width: 1920, height: 1080 };
const SMALL_TV = { width: 1280, height: 720 };
/** Where pictures go, for somebody to look at; nowhere if it is not set. */
const SHOTS = process.env['THOLE_SHOTS'];
const PATIENCE = { timeout: 30_000 };

let browser: Browser;
let hall: Hall | null = null;
const pages: Page[] = [];

beforeAll(async () => {
  browser = await launch();
});

afterEach(async ({ task }) => {
  for (const page of pages.splice(0)) {
    if (task.result?.state === 'fail') await shot(page, `failed ${task.name}`);
    await page.close();
  }
  await hall?.close();
  hall = null;
});

afterAll(() => browser?.close());

async function opened(config: HallConfig): Promise<Hall> {
  hall = await Hall.open(config);
  return hall;
}

/** A board, and what went wrong on it. */
async function board(address: string, size = TV): Promise<{ page: Page; wrong: string[] }> {
  const shown = await open(browser, address, size);
  pages.push(shown.page);
  return shown;
}

async function shot(page: Page, name: string): Promise<void> {
  if (SHOTS !== undefined) await page.screenshot({ path: `${SHOTS}/${name}.png` });
}

/** No rule of WCAG A and AA is broken, in light and in dark; nothing leaves the screen. */
async function inOrder(page: Page, name: string): Promise<void> {
  for (const theme of ['light', 'dark']) {
    await page.evaluate((theme) => (document.documentElement.dataset['theme'] = theme), theme);
    await shot(page, `${name}-${theme}`);
    expect(await violations(page), `${name}, ${theme}`).toEqual([]);
  }
  await page.evaluate(() => (document.documentElement.dataset['theme'] = 'light'));
  expect(await cutOff(page), name).toEqual([]);
}

/** Words of the board that are cut, or outside of the screen. */
function cutOff(page: Page): Promise<string[]> {
  return page.evaluate(() =>
    [...document.querySelectorAll('main :is(h1, p, b, span, li)')].flatMap((part) => {
      if (part.closest('.unseen') !== null || part.textContent?.trim() === '') return [];
      const { left, right, top, bottom } = part.getBoundingClientRect();
      const outside = left < -1 || top < -1 || right > innerWidth + 1 || bottom > innerHeight + 1;
      return outside ? [`${part.tagName} ${part.textContent?.trim().slice(0, 30)}`] : [];
    }),
  );
}

/** What stands in the rows that are shown, from the top. */
function shownRows(page: Page): Promise<{ name: string; text: string; side: string }[]> {
  return page.evaluate(() =>
    [...document.querySelectorAll<HTMLElement>('.field ol > li')]
      .sort((a, b) => Number(a.style.getPropertyValue('--order')) - Number(b.style.getPropertyValue('--order')))
      .map((row) => ({
        name: row.dataset['name'] ?? '',
        text: row.innerText.replaceAll(/\s+/g, ' ').trim(),
        side: ['ahead', 'behind', 'none'].find((side) => row.classList.contains(side)) ?? '',
      })),
  );
}

const says = (page: Page, text: string | RegExp) => page.locator('main').getByText(text).first().waitFor(PATIENCE);

/** Twelve in two teams, each a little slower than the one before. */
const TWELVE = athletes(12, 1_050, (nth) => 202 + 7 * nth, ['Heron', 'Otter']);
const INTERVALS: HallConfig = { title: 'Thursday at the Old Mill', piece: '3x350m/0:50', speed: 10, athletes: TWELVE, create: ['--count', '1:00'] };

test('from the first who comes to the results, in light and in dark', async () => {
  const here = await opened(INTERVALS);
  const { page, wrong } = await board(withQuery(withQuery(here.board, 'diagonal', '75'), 'distance', '4'));
  await says(page, /12 not here yet/);
  here.sit(TWELVE.slice(0, 9).map(({ name }) => name));
  await says(page, /9 machine linked/);
  expect(await page.locator('.code').innerText()).toMatch(/^[A-Z]{4} [A-Z]{4}$/);
  await page.locator('.qr svg').waitFor(PATIENCE);
  await inOrder(page, 'waiting');
  here.sit(TWELVE.slice(9).map(({ name }) => name));
  await says(page, /12 machine linked/);
  here.say('arm');
  await says(page, 'Ready to start');
  here.say('start');
  await says(page, 'Starting in');
  await inOrder(page, 'counting');
  await page.locator('.field ol > li.ahead, .field ol > li.behind').first().waitFor(PATIENCE);
  await page.waitForFunction(() => document.querySelectorAll('.field svg').length === 12, null, PATIENCE);
  await inOrder(page, 'rowing');
  expect(await page.locator('header').innerText()).toMatch(/Heron[\s\S]*Otter|Otter[\s\S]*Heron/);

  here.say('call Sit tall for 12 strokes');
  await page.locator('.call').waitFor(PATIENCE);
  const left = page.locator('.call p b');
  const strokes = Number(await left.innerText());
  expect(strokes).toBeLessThanOrEqual(12);
  await page.waitForFunction((before) => Number(document.querySelector('.call p b')?.textContent) < before, strokes, PATIENCE);
  expect(await page.locator('.name i').count()).toBe(12);
  await inOrder(page, 'call');
  await page.locator('.call.over').waitFor(PATIENCE);
  await says(page, /of 12\s*gained/);
  expect(await page.locator('.ring').count()).toBe(12);
  await inOrder(page, 'call-over');

  await page.getByRole('heading', { name: 'Rest' }).waitFor(PATIENCE);
  await inOrder(page, 'rest');
  await page.getByRole('heading', { name: 'Finishing' }).waitFor({ timeout: 60_000 });
  await inOrder(page, 'closing');
  await page.getByRole('heading', { name: 'Finished' }).waitFor(PATIENCE);
  await inOrder(page, 'finished');
  const results = await shownRows(page);
  expect(results.map(({ text }) => Number.parseInt(text, 10) || Number(/(\d+)$/.exec(text)?.[1]))).toEqual(
    [...results.keys()].map((nth) => nth + 1),
  );
  expect(wrong).toEqual([]);
}, 150_000);
