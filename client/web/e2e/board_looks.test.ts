// How the board looks in every size and state, told by a session that nobody rows: nothing is cut, nothing stands over
// something else, and all of it lies where every screen shows it.
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { launch, violations } from './stage';
import { Told, resultOf, site, type Field } from './told';

const TV = { width: 1920, height: 1080 };
const SIZES = [TV, { width: 3840, height: 2160 }, { width: 1280, height: 800 }, { width: 1024, height: 768 }];
const SHOTS = process.env['THOLE_SHOTS'];
const TEAMS = ['Coot', 'Heron', 'Otter', 'Grebe'];

let browser: Browser;
let pages: Awaited<ReturnType<typeof site>>;

beforeAll(async () => {
  browser = await launch();
  pages = await site();
}, 120_000);

afterAll(async () => {
  await browser?.close();
  await pages?.close();
});

interface Scene {
  readonly field: Field;
  readonly act: (told: Told) => void;
  /** What the screen is set to. */
  readonly query?: string;
  /** What has to be there. */
  readonly until?: string;
}

/** The board in a scene; without motion, so that rows are where they belong. */
async function board({ field, act, query = '', until = '.field ol > li' }: Scene, size = TV): Promise<{ page: Page; told: Told; wrong: string[] }> {
  const page = await browser.newPage({ viewport: size, reducedMotion: 'reduce' });
  const wrong: string[] = [];
  page.on('pageerror', (error) => wrong.push(String(error)));
  const told = new Told(field);
  await told.open(page, `${pages.origin}/board/KAMURETA${query}#secret`);
  await page.locator('.people').waitFor();
  await page.evaluate(() => document.fonts.ready.then(() => undefined));
  act(told);
  await page.locator(until).first().waitFor();
  return { page, told, wrong };
}

/** Words over each other, words that are cut, and words outside of the 95 % that every screen shows. */
function faults(page: Page): Promise<string[]> {
  return page.evaluate(() => {
    // Letters are lower than the box of their font, which may reach into the next line.
    const [above, below] = [0.22, 0.2];
    const texts: { text: string; left: number; right: number; top: number; bottom: number }[] = [];
    const walker = document.createTreeWalker(document.querySelector('main') ?? document.body, NodeFilter.SHOW_TEXT);
    for (let node = walker.nextNode(); node !== null; node = walker.nextNode()) {
      const text = node.textContent?.trim() ?? '';
      if (text === '' || (node.parentElement?.closest('.unseen') ?? null) !== null) continue;
      const range = document.createRange();
      range.selectNodeContents(node);
      const { left, right, top, bottom, height, width } = range.getBoundingClientRect();
      if (width > 0) texts.push({ text: text.slice(0, 30), left, right, top: top + above * height, bottom: bottom - below * height });
    }
    const [edgeX, edgeY] = [innerWidth * 0.05 - 1, innerHeight * 0.05 - 1];
    const outside = texts.filter(({ left, right, top, bottom }) => left < edgeX || right > innerWidth - edgeX || top < edgeY || bottom > innerHeight - edgeY);
    const covered = texts.flatMap((one, nth) =>
      texts.slice(nth + 1).flatMap((other) => {
        const across = Math.min(one.right, other.right) - Math.max(one.left, other.left);
        const down = Math.min(one.bottom, other.bottom) - Math.max(one.top, other.top);
        return across > 1 && down > 1 ? [`${one.text} over ${other.text}`] : [];
      }),
    );
    const cut = [...document.querySelectorAll<HTMLElement>('main :is(.letters, .finish, .place, .margin, .team, h1, p:not(.unseen), li)')].flatMap((part) =>
      part.scrollWidth > part.clientWidth + 1 && part.clientWidth > 0 && getComputedStyle(part).display !== 'inline' ? [`cut: ${part.className} ${part.textContent?.trim().slice(0, 30)}`] : [],
    );
    return [...outside.map(({ text }) => `outside: ${text}`), ...covered, ...cut];
  });
}

const work = { by: 'distance', distance_dm: 4_500 } as const;
const INTERVALS = { repeats: [{ work, rest_ms: 70_000 }, { work, rest_ms: 70_000 }, { work, rest_ms: 0 }] };
/** Machines are linked, or not, or nobody is there. */
const ready = (nth: number) => (nth % 3 === 0 ? { doing: 'away' as const, machine: null } : nth % 4 === 1 ? { machine: null } : {});

const SCENES: Readonly<Record<string, Scene>> = {
  'before the start': { field: { count: 12, athlete: ready }, act: () => undefined, until: '.people li:nth-child(12)' },
  'between two pieces': {
    field: {
      count: 12,
      teams: TEAMS,
      athlete: ready,
      welcome: {
        current: 1,
        pieces: [0, 1].map((piece) => ({
          piece,
          spec: { title: '', ...INTERVALS, clock: 'common_go', repeat_start: 'common_signal', count_ms: 10_000, call_sheet: [] },
          phase: piece === 0 ? { phase: 'finished', go_at_ms: 0 } : { phase: 'gathering' },
          results: piece === 0 ? [...Array(12).keys()].map((nth) => resultOf(nth, 12_000 - 2_500 * nth)) : [],
          teams: piece === 0 ? TEAMS.map((team, nth) => ({ team, place: nth + 1, mean_margin: 6_400 - 900 * nth, counted: 3 })) : [],
        })),
      },
    },
    act: () => undefined,
    until: '.teams li:nth-child(4)',
  },
  'nobody yet': { field: { count: 0 }, act: () => undefined, until: 'text=Nobody is here yet.' },
  'no piece yet': { field: { count: 12, welcome: { pieces: [] } }, act: () => undefined, until: 'text=No piece is set yet' },
  closed: { field: { count: 12, welcome: { closed: true } }, act: () => undefined, until: 'h1:text("This session is closed.")' },
  armed: { field: { count: 12 }, act: (told) => told.turns('armed'), until: 'text=Ready to start' },
  counting: { field: { count: 12 }, act: (told) => told.turns('counting'), until: '.counting .number' },
  'missed repeats': {
    field: { count: 12, spec: INTERVALS, line: (nth) => (nth === 3 || nth === 8 ? { instead: 'missed' } : {}) },
    act: (told) => told.rows(1),
    until: 'text=missed repeats',
  },
  resting: { field: { count: 12, spec: INTERVALS }, act: (told) => (told.rows(), told.turns('resting')), until: 'h1:text("Rest")' },
  closing: { field: { count: 12, line: (nth) => (nth < 5 ? { doing: 'finished' } : {}) }, act: (told) => (told.rows(), told.turns('closing')), until: 'text=5 of 12 finished' },
  'stopped by the coach': {
    field: { count: 12 },
    act: (told) => (told.rows(), told.finishes((nth) => (nth < 3 ? 'stopped' : 'unfinished')), told.turns('stopped')),
    until: 'text=What was rowed is kept.',
  },
  'close results': {
    field: { count: 12, teams: TEAMS, margin: (nth) => (nth < 4 ? 6_400 - nth * 10 : 20_000 - 4_000 * nth) },
    act: (told) => (
      told.rows(),
      told.finishes(
        (nth) => (nth === 5 || nth === 7 ? 'unfinished' : nth === 9 ? 'did_not_start' : nth === 11 ? 'unheard' : 'finished'),
        (nth) => (nth === 7 ? { marks: ['repeats_missed'] } : {}),
      )
    ),
  },
  ...Object.fromEntries([4, 12, 30, 60].map((count) => [`rowing ${count}`, { field: { count }, act: (told) => told.rows() } satisfies Scene])),
  ...Object.fromEntries(
    [12, 30, 60].map((count) => [
      `results of ${count} in teams`,
      { field: { count, teams: TEAMS }, act: (told) => (told.rows(), told.finishes((nth) => (nth === 2 ? 'stopped' : 'finished'))) } satisfies Scene,
    ]),
  ),
  'seven teams of their own page': {
    field: { count: 60, elapsedMs: 86_000, teams: [...TEAMS, 'Wren and Dipper', 'Tern', 'Swift'] },
    act: (told) => told.rows(),
    until: 'ol[aria-label="Teams"] li:nth-child(7)',
  },
  'results of six teams': {
    field: { count: 30, teams: [...TEAMS, 'Wren and Dipper', 'Tern'] },
    act: (told) => (told.rows(), told.finishes()),
    until: '.heading ol li:nth-child(6)',
  },
  'twelve with a call': { field: { count: 12 }, act: (told) => (told.rows(), told.calls('Long reach', [1, 4]), told.stands(91_000)) },
  'twelve at 5 m': { field: { count: 12 }, act: (told) => told.rows(), query: '?distance=5' },
  'eight at 6 m': { field: { count: 8 }, act: (told) => told.rows(), query: '?distance=6' },
  settling: { field: { count: 12, elapsedMs: 13_000 }, act: (told) => told.rows() },
  'stopped, lost, in, far out': {
    field: {
      count: 12,
      margin: (nth) => (nth === 3 ? -92_000 : nth === 5 ? 61_000 : 20_000 - 4_000 * nth),
      line: (nth) => [{ doing: 'stopped' as const, place: null }, { not_heard: true }, { not_heard: true, place: null }, {}, { doing: 'finished' as const }][nth] ?? {},
    },
    act: (told) => told.rows(),
  },
  'a rehearsal of twelve': { field: { count: 12, speed: 10 }, act: (told) => told.rows() },
  'a rehearsal of thirty': { field: { count: 30, speed: 10 }, act: (told) => told.rows() },
  'three teams': { field: { count: 12, teams: TEAMS.slice(1) }, act: (told) => told.rows() },
};

test.each(Object.entries(SCENES))('%s: nothing is cut or over something else, in all sizes and both colours', async (name, scene) => {
  for (const size of SIZES) {
    const { page, wrong } = await board(scene, size);
    for (const theme of ['light', 'dark']) {
      await page.evaluate((theme) => (document.documentElement.dataset['theme'] = theme), theme);
      if (SHOTS !== undefined) await page.screenshot({ path: `${SHOTS}/${name.replaceAll(' ', '-')}-${size.width}-${theme}.png` });
      if (size === TV) expect(await violations(page), `${name}, ${theme}`).toEqual([]);
    }
    await expect.poll(() => faults(page), { message: `${name} at ${size.width}`, timeout: 5_000 }).toEqual([]);
    expect(wrong).toEqual([]);
    await page.close();
  }
}, 120_000);

/** Who stands in the rows that are shown, by place. */
function names(page: Page): Promise<string[]> {
  return page.evaluate(() =>
    [...document.querySelectorAll<HTMLElement>('.field ol > li')]
      .sort((a, b) => Number(a.style.getPropertyValue('--order')) - Number(b.style.getPropertyValue('--order')))
      .map((row) => row.dataset['name'] ?? ''),
  );
}

test.each([
  ['twelve', 12, '', 1],
  ['twelve at 5 m', 12, '?distance=5', 2],
  ['thirty', 30, '', 2],
])('%s are seen without turning a page, each with the finish beside the name', async (_, count, query, columns) => {
  const { page } = await board({ field: { count }, act: (told) => told.rows(), query });
  await expect.poll(() => names(page).then((all) => all.length)).toBe(count);
  const finishes = await page.locator('.field .finish').allInnerTexts();
  expect(finishes.filter((text) => /^\d+:\d\d$/.test(text))).toHaveLength(count);
  const lefts = await page.evaluate(() => new Set([...document.querySelectorAll('.field ol > li')].map((row) => Math.round(row.getBoundingClientRect().left))).size);
  expect(lefts).toBe(columns);
  // 16 minutes of arc at this distance on 55 inches: 44 and 55 px.
  const size = await page.evaluate(() => Number.parseFloat(getComputedStyle(document.querySelector('.field ol') ?? document.body).fontSize));
  expect(size).toBeGreaterThanOrEqual(query === '' ? 43.9 : 54.9);
  await page.close();
}, 60_000);

test('results of thirty stand in one view with their teams', async () => {
  const { page } = await board({ field: { count: 30, teams: TEAMS }, act: (told) => (told.rows(), told.finishes()) });
  await expect.poll(() => names(page).then((all) => all.length)).toBe(30);
  expect(await page.locator('.heading .team').allInnerTexts()).toEqual(TEAMS);
  await page.close();
}, 60_000);

test('the page of who has the call comes with it', async () => {
  const { page, told } = await board({ field: { count: 60 }, act: (told) => told.rows() });
  await expect.poll(() => names(page).then((all) => all.length)).toBe(30);
  // One who is on the other page now.
  const here = await names(page);
  const away = [...Array(60).keys()].find((nth) => !here.includes(told.name(nth))) ?? 0;
  told.calls('Long reach', [away]);
  await expect.poll(() => page.locator('.field .name i').count()).toBe(1);
  expect(await names(page)).toContain(told.name(away));
  await page.close();
}, 60_000);

test.each([
  ['without its secret', '/board/KAMURETA', 'This link is incomplete'],
  ['while it connects', '/board/KAMURETA#secret', 'Connecting'],
])('the page %s is in order in both themes', async (_, path, heading) => {
  const page = await browser.newPage({ viewport: TV });
  // Somebody answers, and says nothing.
  await page.routeWebSocket(/\/ws$/, () => undefined);
  await page.goto(`${pages.origin}${path}`);
  await page.getByRole('heading', { name: heading }).waitFor();
  for (const theme of ['light', 'dark']) {
    await page.evaluate((theme) => (document.documentElement.dataset['theme'] = theme), theme);
    expect(await violations(page), theme).toEqual([]);
  }
  await page.close();
});
