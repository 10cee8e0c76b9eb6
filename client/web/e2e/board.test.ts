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
  await expect.poll(() => cutOff(page), { message: name, timeout: 3_000 }).toEqual([]);
  // At a zoom of 200 % the page has half of the width and half of the height; rows on their way are looked at when there.
  await page.emulateMedia({ reducedMotion: 'reduce' });
  const { width, height } = page.viewportSize() ?? TV;
  await page.setViewportSize({ width: width / 2, height: height / 2 });
  await shot(page, `${name}-zoomed`);
  // The page measures itself anew within some frames.
  await expect.poll(() => cutOff(page), { message: `${name} at 200 %`, timeout: 3_000 }).toEqual([]);
  expect(await page.evaluate(() => document.documentElement.scrollWidth - innerWidth), `${name} at 200 %`).toBeLessThanOrEqual(0);
  await page.setViewportSize({ width, height });
  await page.emulateMedia({ reducedMotion: 'no-preference' });
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
  await says(page, /9 machines linked/);
  expect(await page.locator('.code').innerText()).toMatch(/^[A-Z]{4} [A-Z]{4}$/);
  await page.locator('.qr svg').waitFor(PATIENCE);
  await inOrder(page, 'waiting');
  here.sit(TWELVE.slice(9).map(({ name }) => name));
  await says(page, /12 machines linked/);
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
  // What it did is nobody's business in front of everybody: its words stay for a moment, and no number beside them.
  expect(await page.locator('.call.over').innerText()).toBe('Sit tall');
  expect(await page.locator('.ring').count()).toBe(0);
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

test('thirty stand on one page, and more teams than fit on top have one of their own', async () => {
  const thirty = athletes(30, 1_300, (nth) => 270 + 4 * nth, ['Heron', 'Otter', 'Dipper', 'Wren', 'Tern']);
  const here = await opened({ title: 'All crews', piece: '1300m', speed: 4, athletes: thirty });
  const { page, wrong } = await board(here.board, SMALL_TV);
  here.sit();
  await says(page, /30 machines linked/);
  await inOrder(page, 'thirty-waiting');
  here.say('arm');
  here.say('start');
  await page.waitForFunction(() => document.querySelectorAll('.field ol[aria-label="The field"] svg').length >= 8, null, PATIENCE);
  await inOrder(page, 'thirty');
  const lost = 'Zsófia Ito';
  here.lose(lost);
  const seen = new Map<string, string>();
  const sizes = new Set<number>();
  let teams: string[] = [];
  // The field and the teams, eight seconds each.
  for (let second = 0; second < 36; second += 1) {
    const rows = await shownRows(page);
    if (await page.locator('ol[aria-label="Teams"]').count()) {
      if (teams.length === 0) await inOrder(page, 'teams');
      teams = rows.map(({ name }) => name);
    } else {
      sizes.add(rows.length);
      for (const { name, text } of rows) seen.set(name, text);
    }
    if (second === 25) await shot(page, 'thirty-lost');
    await page.waitForTimeout(1_000);
  }
  expect([...seen.keys()].sort()).toEqual(thirty.map(({ name }) => name).sort());
  expect([...sizes]).toEqual([30]);
  expect(teams.sort()).toEqual(['Dipper', 'Heron', 'Otter', 'Tern', 'Wren']);
  expect(seen.get(lost)).toMatch(/Zsófia/);
  expect(seen.get(lost)).not.toMatch(/^\d|\d$/);
  expect(wrong).toEqual([]);
}, 120_000);

test('the server gone and back, a false start, a stop: the board says so and goes on by itself', async () => {
  const four = athletes(4, 1_300, (nth) => 290 + 21 * nth);
  const here = await opened({ title: 'Four at six', piece: '1300m', speed: 5, athletes: four });
  const { page, wrong } = await board(here.board);
  here.sit();
  await says(page, /4 machines linked/);
  here.say('arm');
  here.say('start');
  // They settle: nobody has a place or a bar yet.
  await page.waitForFunction(() => document.querySelectorAll('.field ol > li').length === 4, null, PATIENCE);
  expect(await page.locator('.field svg').count()).toBe(0);
  here.say('false-start');
  await page.getByRole('heading', { name: 'Called back to the start' }).waitFor(PATIENCE);
  await inOrder(page, 'false-start');
  here.say('start');
  await page.waitForFunction(() => document.querySelectorAll('.field svg').length === 4, null, PATIENCE);
  await here.killServer();
  await page.getByText('The server is out of reach.').waitFor(PATIENCE);
  await inOrder(page, 'away');
  expect((await shownRows(page)).length).toBe(4);
  const before = await page.evaluate(() => performance.timeOrigin);
  await here.startServer();
  await page.getByText('The server is out of reach.').waitFor({ state: 'detached', timeout: 30_000 });
  // By itself, without a reload; and the numbers move again.
  expect(await page.evaluate(() => performance.timeOrigin)).toBe(before);
  const then = JSON.stringify(await shownRows(page));
  await page.waitForFunction((then) => {
    const text = [...document.querySelectorAll('.field ol > li')].map((row) => row.textContent).join();
    return text !== '' && text !== then;
  }, then, PATIENCE);
  // Somebody's device is gone: first hatched, then out of the ranking. Nobody else is.
  here.lose('Ida Ross');
  const ida = page.locator('li[data-name="Ida Ross"]');
  await ida.locator('.bar.unheard').first().waitFor({ state: 'attached', ...PATIENCE });
  await inOrder(page, 'not-heard');
  await page.waitForFunction(() => document.querySelector('li[data-name="Ida Ross"] .place')?.textContent === '', null, PATIENCE);
  expect(await page.locator('.field li .place').allInnerTexts().then((all) => all.filter((place) => place === '').length)).toBe(1);
  expect(await page.locator('.bar.unheard').count()).toBeLessThanOrEqual(1);
  here.say('stop');
  await page.getByRole('heading', { name: 'Stopped by the coach' }).waitFor(PATIENCE);
  // One word for all who were rowing, and no number beside it is a result.
  await expect.poll(() => page.locator('.field .margin').allInnerTexts()).toEqual(['stopped', 'stopped', 'stopped', 'stopped']);
  await inOrder(page, 'stopped');
  // What a browser says of a socket that cannot be opened is all that went wrong.
  expect(wrong.filter((text) => !text.includes('WebSocket connection to'))).toEqual([]);
}, 120_000);

test('a screen is set once and remembered; the cursor is hidden; who wants less motion gets none', async () => {
  const here = await opened({ title: 'Four at six', piece: '1300m', speed: 20, athletes: athletes(4, 1_300, () => 300) });
  const { page, wrong } = await board(here.board);
  await says(page, /4 not here yet/);
  const cursor = () => page.evaluate(() => getComputedStyle(document.querySelector('main') ?? document.body).cursor);
  await page.waitForFunction(() => getComputedStyle(document.querySelector('main') ?? document.body).cursor === 'none', null, PATIENCE);
  await page.mouse.move(400, 300);
  await page.mouse.move(500, 320);
  expect(await cursor()).not.toBe('none');
  // By keyboard alone.
  await page.keyboard.press('Tab');
  await page.keyboard.press('Enter');
  await page.getByLabel('Diagonal in inches').fill('75');
  await page.getByLabel('Farthest reader in metres').fill('a mile');
  await page.getByLabel('Farthest reader in metres').press('Tab');
  await page.getByRole('alert').getByText('Enter a number from 0.5 to 30.').waitFor(PATIENCE);
  await page.getByLabel('Farthest reader in metres').fill('4');
  await page.getByLabel('Farthest reader in metres').press('Tab');
  for (const theme of ['light', 'dark']) {
    await page.evaluate((theme) => (document.documentElement.dataset['theme'] = theme), theme);
    await shot(page, `settings-${theme}`);
    expect(await violations(page), theme).toEqual([]);
  }
  await page.keyboard.press('Escape');
  await page.reload();
  await says(page, /4 not here yet/);
  expect(await page.getByLabel('Diagonal in inches').inputValue()).toBe('75');
  expect(await page.getByLabel('Farthest reader in metres').inputValue()).toBe('4');
  await page.emulateMedia({ reducedMotion: 'reduce' });
  here.sit();
  here.say('arm');
  here.say('start');
  await page.locator('.field ol > li').first().waitFor(PATIENCE);
  const duration = () => page.evaluate(() => getComputedStyle(document.querySelector('.field ol > li') ?? document.body).transitionDuration);
  expect(await duration()).toBe('0s');
  await page.emulateMedia({ reducedMotion: 'no-preference' });
  expect(await duration()).toBe('0.7s');
  expect(wrong).toEqual([]);
}, 90_000);

test('the screen is kept on, and asked for again after the page was hidden', async () => {
  const here = await opened({ title: 'Four at six', piece: '1300m', speed: 20, athletes: athletes(4, 1_300, () => 300) });
  const context = await browser.newContext();
  const page = await context.newPage();
  pages.push(page);
  await page.addInitScript(() => {
    let asked = 0;
    const request = (): Promise<object> => {
      asked += 1;
      document.documentElement.dataset['asked'] = String(asked);
      const lock = { released: false, release: () => Promise.resolve(), onrelease: null };
      document.addEventListener('visibilitychange', () => (lock.released = true), { capture: true });
      return Promise.resolve(lock);
    };
    Object.defineProperty(navigator, 'wakeLock', { value: { request } });
  });
  await page.goto(here.board);
  await says(page, /4 not here yet/);
  const asked = () => page.evaluate(() => Number(document.documentElement.dataset['asked']));
  expect(await asked()).toBe(1);
  await page.evaluate(() => document.dispatchEvent(new Event('visibilitychange')));
  expect(await asked()).toBe(2);
}, 60_000);
