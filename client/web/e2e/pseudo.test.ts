// All pages in a language nobody speaks, longer than English and written from right to left: what is plain on them was not
// taken from the texts, and what is cut would be in another language too.
import { mkdtemp, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { build, preview, type PreviewServer } from 'vite';
import { Hall, athletes } from './hall';
import { launch, open, type Opened } from './stage';

const TV = { width: 1920, height: 1080 };
const LAPTOP = { width: 1280, height: 800 };
const PHONE = { width: 390, height: 844 };
const SHOTS = process.env['THOLE_SHOTS'];
const PATIENCE = { timeout: 30_000 };

const TITLE = 'Thursday at the Old Mill';
const TEAMS = ['Heron', 'Otter'];
const OWN = 'Ana Quill';
const CALL = 'Sit tall';
const ROWERS = athletes(9, 700, (nth) => 180 + 4 * nth, TEAMS);

let browser: Browser;
let hall: Hall;
let site: PreviewServer;
let origin: string;
let folder: string;

beforeAll(async () => {
  browser = await launch();
  folder = await mkdtemp(join(tmpdir(), 'thole-pseudo-'));
  hall = await Hall.open({
    title: TITLE,
    piece: '2x350m/0:50',
    speed: 10,
    athletes: [...ROWERS, { name: OWN, team: 'Heron', target: '3:10' }],
    create: ['--count', '0:40'],
  });
  // The settings of the build, which asks for them when it begins.
  process.env['THOLE_LANGUAGE'] = 'pseudo';
  process.env['THOLE_SERVER'] = new URL(hall.join).origin;
  await build({ logLevel: 'error', build: { outDir: folder } });
  // Connections that end with a page are no news.
  site = await preview({ logLevel: 'silent', build: { outDir: folder }, preview: { host: '127.0.0.1', port: 0 } });
  origin = site.resolvedUrls?.local[0]?.replace(/\/$/, '') ?? '';
}, 120_000);

afterAll(async () => {
  delete process.env['THOLE_LANGUAGE'];
  delete process.env['THOLE_SERVER'];
  await browser?.close();
  await site?.close();
  await hall?.close();
  await rm(folder, { recursive: true, force: true });
});

const here = (link: string): string => link.replace(/^https?:\/\/[^/]+/, origin);

/** What people have typed, what names a machine, and addresses: all of it stays as it is. */
function ours(): string[] {
  const code = new URL(hall.join).pathname.split('/').at(-1) ?? '';
  const names = [...ROWERS.map(({ name }) => name), OWN].flatMap((name) => [name, ...name.split(' ')]);
  return [TITLE, CALL, ...TEAMS, ...names, `${code.slice(0, 4)} ${code.slice(4)}`, code, 'simulated', `${origin}/row/`, `${new URL(origin).host}/row/${code}`].sort((a, b) => b.length - a.length);
}

/** The same at a zoom of 200 %. */
async function inOrderZoomed(opened: Opened, name: string): Promise<void> {
  await inOrder(opened, name);
  const size = opened.page.viewportSize() ?? PHONE;
  await opened.page.setViewportSize({ width: size.width / 2, height: size.height / 2 });
  await inOrder(opened, `${name}-200`);
  await opened.page.setViewportSize(size);
}

/** Sentences of the server: they come in its language. */
const SERVER_SAYS = [/^Projections show where/, /^Of \d+ ranges? projected for/];

/** Words that did not come from the texts, and words that are cut or out of sight. */
async function inOrder({ page }: Opened, name: string): Promise<void> {
  if (SHOTS !== undefined) await page.screenshot({ path: `${SHOTS}/pseudo-${name}.png` });
  expect(await page.evaluate(() => [document.documentElement.dir, getComputedStyle(document.body).direction])).toEqual(['rtl', 'rtl']);
  // All that is wrong is told at once.
  expect.soft(await plain(page), `${name}: not from the texts`).toEqual([]);
  expect.soft(await settled(() => cut(page)), `${name}: cut`).toEqual([]);
}

/** A page that has just changed measures itself anew within some frames, and rows move to their places. */
async function settled(look: () => Promise<string[]>): Promise<string[]> {
  let found = await look();
  for (let again = 0; again < 10 && found.length > 0; again += 1) {
    await new Promise((resolve) => setTimeout(resolve, 100));
    found = await look();
  }
  return found;
}

async function plain(page: Page): Promise<string[]> {
  const found = await page.evaluate((data) => {
    const rest = (text: string): string =>
      data
        .reduce((left, one) => left.replaceAll(one, ''), text)
        // First names with an initial; times, distances, paces, pieces and their units.
        .replaceAll(/(?<!\p{Letter})\p{Lu}\./gu, '')
        .replaceAll(/\d+(?:m|min|s|x)\b|(?<=\d)x(?=\d)/g, '')
        .replaceAll(/(?<![A-Za-z])(?:m|s)(?![A-Za-z])/g, '');
    const found: [where: string, text: string][] = [];
    const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT | NodeFilter.SHOW_ELEMENT);
    while (walk.nextNode()) {
      const node = walk.currentNode;
      if (node instanceof Element) {
        for (const said of ['aria-label', 'placeholder', 'title', 'alt']) {
          const text = node.getAttribute(said) ?? '';
          if (/[A-Za-z]/.test(rest(text))) found.push([`${node.tagName} ${said}:`, text]);
        }
        continue;
      }
      if (node.parentElement?.closest('kbd, script, style, noscript') != null) continue;
      const text = node.textContent ?? '';
      if (/[A-Za-z]/.test(rest(text))) found.push([`${node.parentElement?.tagName} ${node.parentElement?.className}:`, text.trim()]);
    }
    return found;
  }, ours());
  return found.filter(([, text]) => !SERVER_SAYS.some((says) => says.test(text))).map((words) => words.join(' '));
}

function cut(page: Page): Promise<string[]> {
  return page.evaluate(() => {
    /** A board, and a face that is read from the machine, do not scroll. */
    const still = getComputedStyle(document.documentElement).overflowY === 'hidden' || document.querySelector('main.live') !== null;
    const wide = document.documentElement.scrollWidth - innerWidth;
    const sideways = wide > 0 ? [`the page is ${wide} wider than the window`] : [];
    const parts = [...document.querySelectorAll('body *')].flatMap((part) => {
      if (part.closest('noscript, svg') !== null || !part.checkVisibility() || getComputedStyle(part).clipPath === 'inset(50%)') return [];
      const own = [...part.childNodes].filter((node) => node.nodeType === Node.TEXT_NODE && node.textContent?.trim() !== '');
      const name = `${part.tagName} ${part.className} "${part.textContent?.trim().slice(0, 50)}"`;
      const style = getComputedStyle(part);
      // A name that is too long ends in dots; a text of ours does not.
      const hides = style.overflowX === 'hidden' || style.overflowX === 'clip';
      const isCut = hides && part.scrollWidth > part.clientWidth + 1 && (part.textContent ?? '').includes('⟦');
      if (own.length === 0) return isCut ? [`${name} is cut`] : [];
      const range = document.createRange();
      range.selectNodeContents(part);
      const { left, right, top, bottom } = range.getBoundingClientRect();
      // What can be scrolled to is not lost.
      const scrolls = part.closest('[class*=scroll], dialog, details') !== null;
      const out = left < -1 || right > innerWidth + 1 || (still && !scrolls && (top < -1 || bottom > innerHeight + 1));
      return [...(isCut ? [`${name} is cut`] : []), ...(out ? [`${name} is outside: ${[left, top, right, bottom].map(Math.round)}`] : [])];
    });
    return [...sideways, ...parts];
  });
}

test('no word is plain, and none is cut, from the door to the results', async () => {
  const board = await open(browser, here(hall.board), TV);
  const coach = await open(browser, here(hall.coach), LAPTOP);
  const athlete = await open(browser, here(hall.join), PHONE);
  const face = (is: string) => athlete.page.locator(`main[data-face="${is}"]`).waitFor(PATIENCE);

  // Before.
  await board.page.locator('.code').waitFor(PATIENCE);
  await inOrder(board, 'board-empty');
  await face('entrance');
  await inOrderZoomed(athlete, 'athlete-door');
  await athlete.page.locator('input[name="name"]').fill(OWN);
  await athlete.page.keyboard.press('Enter');
  await face('prepare');
  await inOrder(athlete, 'athlete-cautions');
  await athlete.page.locator('button.main').click();
  await athlete.page.locator('.ways button').last().click();
  await athlete.page.locator('.state.ready').waitFor(PATIENCE);
  await inOrderZoomed(athlete, 'athlete-ready');
  hall.sit();
  await board.page.waitForFunction((all) => document.querySelectorAll('li.linked').length === all, ROWERS.length + 1, PATIENCE);
  await inOrder(board, 'board-waiting');
  const tabs = coach.page.locator('nav button');
  await tabs.first().waitFor(PATIENCE);
  for (let nth = 0; nth < (await tabs.count()); nth += 1) {
    await tabs.nth(nth).click();
    await inOrder(coach, `coach-before-${nth}`);
  }
  hall.say('arm');
  await athlete.page.locator('.state.armed').waitFor(PATIENCE);
  await inOrder(athlete, 'athlete-armed');
  await inOrder(coach, 'coach-armed');

  // The countdown.
  hall.say('start');
  await face('counting');
  await inOrder(athlete, 'athlete-counting');
  await board.page.locator('.counting').waitFor(PATIENCE);
  await inOrder(board, 'board-counting');

  // Rowing, a call, somebody who stops, the rest.
  await board.page.locator('.field ol > li.ahead, .field ol > li.behind').first().waitFor(PATIENCE);
  await athlete.page.locator('.number small, .even').first().waitFor(PATIENCE);
  await inOrderZoomed(athlete, 'athlete-rowing');
  await inOrder(board, 'board-rowing');
  await inOrder(coach, 'coach-rowing');
  hall.say(`call ${CALL} for 12 strokes`);
  await board.page.locator('.call').waitFor(PATIENCE);
  await athlete.page.locator('.call').waitFor(PATIENCE);
  await inOrder(athlete, 'athlete-call');
  await inOrder(board, 'board-call');
  await inOrder(coach, 'coach-call');
  await board.page.locator('.call.over').waitFor(PATIENCE);
  await inOrder(board, 'board-call-over');
  await athlete.page.locator('footer button').click();
  await face('stopped');
  await inOrder(athlete, 'athlete-stopped');
  await athlete.page.locator('main button').click();
  await face('rest');
  await inOrder(athlete, 'athlete-rest');
  await inOrder(board, 'board-rest');
  await inOrder(coach, 'coach-rest');

  // The results.
  await face('result');
  await board.page.locator('.field[data-at]').waitFor(PATIENCE);
  await coach.page.locator('table').first().waitFor(PATIENCE);
  await inOrderZoomed(athlete, 'athlete-result');
  await inOrder(board, 'board-results');
  await inOrder(coach, 'coach-results');
  for (const { wrong } of [board, coach, athlete]) expect(wrong).toEqual([]);
}, 120_000);
