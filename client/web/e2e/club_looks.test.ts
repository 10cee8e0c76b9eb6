// How the club's pages look in every size and both themes, told by a server that is made up: no rule of WCAG is broken, nothing
// has to be scrolled sideways, no words stand over others.
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import type { Listed, Myself, PersonLine, WholeResult, WholeSession } from '../src/protocol/club';
import { faults, launch, violations } from './stage';
import { site } from './told';

const LAPTOP = { width: 1280, height: 800 };
const SIZES = [LAPTOP, { width: 1024, height: 768 }, { width: 1920, height: 1080 }, { width: 3840, height: 2160 }, { width: 390, height: 844 }, { width: 360, height: 640 }];
const SHOTS = process.env['THOLE_SHOTS'];
const NAMES = ['Ana Lima', 'Bo Ek', 'Zsófia Vantongeren-Kovács', 'Cem Aydın', 'Salome Kvaratskhelia', 'Jun Mori', 'Priya Nair', 'Orla Vance', 'Łukasz Żółć', 'Nadia Farouk', 'Hanneke Dijkstra', 'Tomasz Wójcik'];
const PIECES = [
  { title: '', work: '1700m', finish: 391_000 },
  { title: 'Hills', work: '6x350m/1:15', finish: 520_000 },
];

function result(evening: number, piece: number, seat: number): Listed {
  const { title, work, finish } = PIECES[piece] ?? { title: '', work: '', finish: 0 };
  const stopped = seat === 9 && evening === 0;
  const ms = finish + seat * 9_300 + evening * 1_700 - (seat % 3) * 2_100;
  return {
    result: `r-${evening}-${piece}-${seat}`,
    person: evening === 0 && seat > 8 ? null : `p-${seat}`,
    name: NAMES[seat] ?? null,
    called: NAMES[seat] ?? null,
    source: 'piece',
    session: `s-${evening}`,
    piece,
    seat,
    revision: 1,
    day: `2026-11-${String(27 - 3 * evening).padStart(2, '0')}`,
    at_unix_ms: 1_795_000_000_000 - evening * 259_200_000,
    title,
    work,
    outcome: stopped ? 'stopped' : 'finished',
    place: stopped ? null : seat + 1,
    team: null,
    time_ms: ms,
    distance_dm: stopped ? 9_120 : 17_000,
    shown: stopped ? null : { want: 'finish', finish_ms: ms },
    target: { want: 'finish', finish_ms: ms + 2_400 - seat * 700 },
    margin: stopped ? null : { margin_ppm: 6_000 - seat * 1_500, margin_ms: 2_400 - seat * 700, margin_dm: null },
    marks: seat === 4 ? ['joined', 'gaps'] : [],
    all_out: 'unknown',
    is_official: evening > 0,
  };
}

function evening(nth: number): WholeSession {
  const seats = NAMES.map((_, seat) => seat).filter((seat) => nth > 0 || seat !== 2);
  const by_piece = PIECES.map(({ title, work }, piece) => ({ piece, title, work, results: seats.map((seat) => result(nth, piece, seat)) }));
  const first = by_piece[0]?.results[0];
  return { session: `s-${nth}`, day: first?.day ?? '', at_unix_ms: first?.at_unix_ms ?? 0, title: nth === 1 ? '' : 'Tuesday at the weir', pieces: 2, seats: seats.length, results: 2 * seats.length, by_piece };
}

const EVENINGS = Array.from({ length: 6 }, (_, nth) => evening(nth));
const ALL = EVENINGS.flatMap(({ by_piece }) => by_piece.flatMap(({ results }) => results));
const PEOPLE: PersonLine[] = NAMES.map((called, seat) => ({ person: `p-${seat}`, called, born_year: seat === 1 ? 2011 : null, hall_name: null, merged_into: null, results: 10, last_day: '2026-11-27' }));
const HEAD: Myself = { role: 'head', person: null, coach: null, club: 'Weir House Rowing', zone: 'Europe/Berlin' };

const NOW = Date.UTC(2026, 10, 27, 18, 30);
const DEEDS = (['gave', 'merged', 'corrected', 'imported', 'swapped'] as const).map((kind, nth) => ({
  deed: 12 - nth, kind, who: nth === 1 ? 'command line' : 'Ines Kovář', at_unix_ms: NOW - nth * 7_200_000, people: kind === 'imported' ? NAMES : NAMES.slice(nth, nth + 2),
  result: nth === 0 ? 'r-0-0-1' : null, reason: kind === 'corrected' ? 'the machine of the next seat was read' : null, rows: 3, undone_unix_ms: nth === 3 ? NOW : null, undone_by: null, can_be_undone: nth < 2,
}));
const KEYS = [
  { key: 'k-1', device: 'Chrome, Android', from_unix_ms: NOW - 9 * 86_400_000, last_unix_ms: NOW, is_card: false, until_unix_ms: null, is_this: false },
  { key: 'k-2', device: 'The tablet at machine four', from_unix_ms: NOW - 86_400_000, last_unix_ms: null, is_card: false, until_unix_ms: null, is_this: true },
  { key: 'k-3', device: '', from_unix_ms: NOW, last_unix_ms: null, is_card: true, until_unix_ms: NOW + 604_800_000, is_this: false },
];

const GROUP = { group: 'g-1', called: 'Tuesdays and Thursdays', coach: { coach: 'c-1', called: 'Ines Kovář' }, had_by: null, members: PEOPLE.map(({ person, called }) => ({ person, called, from: '2026-09-01', until: person === 'p-2' ? '2026-12-22' : null })) };
const LINES = (['came', 'late', 'home', 'excused', 'absent'] as const).map((state, nth) => ({ person: `p-${nth}`, called: NAMES[nth], state, source: nth < 2 ? 'rowed' : 'said', ...(nth < 2 ? {} : { said_by: 'Ines Kovář', said_unix_ms: NOW }) }));

/** What the made-up server answers. */
function answer(path: string, query: URLSearchParams): unknown {
  const [, list = '', id] = path.split('/');
  if (path === '/me') return HEAD;
  if (list === 'going') return { people: [{ person: 'p-40', called: 'Ruta Balodis', asked_unix_ms: NOW, runs_unix_ms: NOW + 604_800_000, asked_by: 'Ines Kovář', is_own: false }] };
  if (list === 'deeds') return { deeds: DEEDS, next: null };
  if (list === 'groups') return id === undefined ? { groups: [GROUP], coaches: [{ coach: 'c-1', called: 'Ines Kovář' }] } : GROUP;
  if (list === 'notes') return { notes: [{ note: 'n-1', about: { group: 'g-1' }, words: 'Row long.\n\nBreathe.', readers: 'coaches', by: 'Ines Kovář', said_unix_ms: NOW }] };
  if (path.endsWith('/attendance')) return { session: 's-0', day: '2026-11-27', lines: LINES };
  if (list === 'coaches') return { coaches: [{ coach: 'c-1', called: 'Ines Kovář', role: 'coach' }, { coach: 'c-2', called: 'Owen Achterberg', role: 'assistant' }] };
  if (path.endsWith('/card')) return { key: 'k-9', secret: `not-a-real-card-${path.slice(-9, -5)}-0123456789abcdef`, until_unix_ms: NOW + 604_800_000 };
  if (path.endsWith('/keys')) return { keys: KEYS };
  if (list === 'people') return id === undefined ? { people: PEOPLE.filter(({ called }) => called.includes(query.get('name') ?? '')) } : PEOPLE.find(({ person }) => person === id);
  if (list === 'sessions') return id === undefined ? { sessions: EVENINGS.slice(0, Number(query.get('most'))), next: null } : EVENINGS.find(({ session }) => session === id);
  if (list === 'results' && id !== undefined) {
    const whole: Omit<WholeResult, keyof Listed> = {
      repeats: [{ work: { by: 'distance', distance_dm: 17_000 }, rest_ms: 0 }],
      aim: null,
      plan: { profile: 'even' },
      splits: [4_250, 4_250, 4_250, 4_250].map((distance_dm, nth) => ({ distance_dm, time_ms: 97_000 + nth * 800 })),
      strokes: 187,
      calls: [{ call: 'c-1', at_ms: 131_000, text: { shown: 'Sit tall', spoken: '' } }, { call: 'c-2', at_ms: 214_000, text: null }],
      reason: null,
      last_deed: null,
      sure_ms: 120,
      sure_dm: null,
    };
    return { ...ALL.find((one) => one.result === id), ...whole };
  }
  if (list === 'results') return { results: ALL.filter(({ person, name }) => (query.has('person') ? person === query.get('person') : name?.includes(query.get('name') ?? '') === true)), next: null };
  return undefined;
}

async function tell(page: Page): Promise<void> {
  await page.route('**/api/club/**', async (route) => {
    const url = new URL(route.request().url());
    const body = answer(url.pathname.replace('/api/club', ''), url.searchParams);
    if (body === undefined) return route.fulfill({ status: 404, contentType: 'application/problem+json', body: '{"detail":"There is no such thing."}' });
    return route.fulfill({ status: 200, headers: { etag: '"1"' }, contentType: 'application/json', body: JSON.stringify(body) });
  });
}

interface Scene {
  readonly search: string;
  readonly until: string;
  /** What is pressed before it is looked at. */
  readonly press?: readonly string[];
}

const SCENES: Readonly<Record<string, Scene>> = {
  today: { search: '', until: 'li' },
  people: { search: '?show=people', until: 'tbody tr:nth-child(12)' },
  'a person': { search: '?person=p-4', until: 'svg circle' },
  evenings: { search: '?show=results', until: 'li:nth-child(6)' },
  'an evening': { search: '?evening=s-0', until: 'section:nth-of-type(2) tbody tr' },
  'a result': { search: '?result=r-0-0-4', until: 'ol.splits' },
  'a group': { search: '?group=g-1', until: 'li button', press: ['summary >> nth=0', 'summary >> nth=1'] },
  'an evening, who came': { search: '?evening=s-0', until: 'section:nth-of-type(2) tbody tr', press: ['details:last-of-type >> summary', 'text=Who came'] },
  'people, cards': { search: '?show=people', until: 'tbody tr:nth-child(12)', press: ['summary >> nth=0', 'fieldset label >> nth=0', 'text=Make 12 cards'] },
  'a person, opened': { search: '?person=p-4', until: 'svg circle', press: ['summary >> nth=0', 'summary >> nth=1', 'summary >> nth=2'] },
  'a result, opened': { search: '?result=r-0-0-4', until: 'ol.splits', press: ['summary >> nth=0', 'summary >> nth=1'] },
  'the club': { search: '?show=club', until: 'li button' },
  'nobody of that id': { search: '?person=none', until: '[role=alert]' },
};

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

test.each(Object.entries(SCENES))('%s: in order in all sizes and both themes', async (name, { search, until, press = [] }) => {
  const page = await browser.newPage({ viewport: LAPTOP, reducedMotion: 'reduce' });
  const wrong: string[] = [];
  page.on('pageerror', (error) => wrong.push(String(error)));
  await tell(page);
  await page.goto(`${pages.origin}/club/${search}#key-of-the-head`);
  await page.locator(until).first().waitFor();
  for (const what of press) await page.locator(what).click();
  expect(new URL(page.url()).hash).toBe('');
  await page.evaluate(() => document.fonts.ready.then(() => undefined));
  for (const size of SIZES) {
    await page.setViewportSize(size);
    for (const theme of ['dark', 'light']) {
      await page.evaluate((theme) => (document.documentElement.dataset['theme'] = theme), theme);
      if (SHOTS !== undefined) await page.screenshot({ path: `${SHOTS}/club-${name.replaceAll(/[ ,]+/g, '-')}-${size.width}-${theme}.png`, fullPage: size.width === LAPTOP.width });
      if (size.width === LAPTOP.width || size.width === 390) expect.soft(await violations(page), `${name}, ${size.width}, ${theme}`).toEqual([]);
    }
    // What was done last stays at the top, above what is scrolled under it.
    await page.evaluate(() => scrollTo(0, 0));
    expect.soft(await faults(page), `${name}, ${size.width}`).toEqual([]);
  }
  expect(wrong).toEqual([]);
  await page.close();
}, 120_000);

test('cards print eight to a sheet of A4, each whole, with nothing else on it', async () => {
  const page = await browser.newPage({ viewport: { width: 718, height: 1047 } });
  await tell(page);
  await page.goto(`${pages.origin}/club/?show=people#key-of-the-head`);
  for (const what of ['summary >> nth=0', 'fieldset label >> nth=0', 'text=Make 12 cards']) await page.locator(what).click();
  await page.locator('.sheet svg').nth(11).waitFor();
  await page.emulateMedia({ media: 'print' });
  if (SHOTS !== undefined) await page.screenshot({ path: `${SHOTS}/club-cards-print.png`, fullPage: true });
  // A4 with margins of a centimetre, in CSS pixels: 96 to the inch (CSS Values and Units 4, section 6.2).
  const [width, height] = [(190 / 25.4) * 96, (277 / 25.4) * 96];
  const cards = await page.locator('.sheet > li').evaluateAll((all) => all.map((card) => card.getBoundingClientRect()).map(({ left, right, top, bottom }) => ({ left, right, top, bottom })));
  const first = cards[0]?.top ?? 0;
  expect(cards.filter(({ bottom }) => bottom - first <= height).length).toBeGreaterThanOrEqual(8);
  expect(Math.max(...cards.map(({ right }) => right)) - Math.min(...cards.map(({ left }) => left))).toBeLessThanOrEqual(width);
  expect(await page.locator('h1, nav a, table, .screen').evaluateAll((all) => all.filter((one) => getComputedStyle(one).visibility !== 'hidden' && getComputedStyle(one).display !== 'none').length)).toBe(0);
  await page.close();
}, 60_000);
