// How the coach's page looks in every size and state, told by a session that nobody rows: no rule of WCAG is broken in
// either theme, nothing has to be scrolled sideways, and no words stand over others.
import type { Browser } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { faults, launch, violations } from './stage';
import { Told, site, type Field } from './told';

const LAPTOP = { width: 1280, height: 800 };
const SIZES = [LAPTOP, { width: 1024, height: 768 }, { width: 1920, height: 1080 }, { width: 3840, height: 2160 }, { width: 390, height: 844 }, { width: 360, height: 640 }];
const SHOTS = process.env['THOLE_SHOTS'];
const TEAMS = ['Heron', 'Otter'];

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
  /** What has to be there. */
  readonly until: string;
  /** What is pressed first. */
  readonly press?: string;
}

const work = { by: 'distance', distance_dm: 4_500 } as const;
const INTERVALS = { repeats: [{ work, rest_ms: 70_000 }, { work, rest_ms: 70_000 }, { work, rest_ms: 0 }] };
const NOTICES: Field['notices'] = [
  [2, { about: 'stopped', done_dm: 4_280 }],
  [5, { about: 'heart_rate', heart_bpm: 187, limit_bpm: 180 }],
  [7, { about: 'fading', now_per_500m_ms: 126_400, before_per_500m_ms: 121_200, enough_per_500m_ms: 122_000 }],
  [9, { about: 'not_heard', since_ms: 170_000 }],
];

const SCENES: Readonly<Record<string, Scene>> = {
  'nobody yet': { field: { count: 0, athlete: () => ({ doing: 'away' }) }, act: () => undefined, until: 'main.prepare' },
  'getting ready': {
    field: {
      count: 12,
      teams: TEAMS,
      athlete: (nth) => (nth % 3 === 0 ? { doing: 'away', machine: null } : nth % 4 === 1 ? { machine: null, cautions_read: false } : {}),
    },
    act: () => undefined,
    until: '.ladder, main.piece h2',
  },
  armed: { field: { count: 12, teams: TEAMS }, act: (told) => told.turns('armed'), until: 'text=hold for 1 s' },
  counting: { field: { count: 12, teams: TEAMS }, act: (told) => told.turns('counting'), until: 'text=until the start' },
  'armed, some easily and some not today': {
    field: { count: 12, teams: TEAMS, athlete: (nth) => (nth % 5 === 1 ? { today: 'easy' } : nth % 5 === 2 ? { today: 'not_today' } : {}) },
    act: (told) => told.turns('armed'),
    until: 'text=easy today, ',
  },
  'rowing, some easily': {
    field: {
      count: 12,
      athlete: (nth) => (nth % 4 === 1 ? { today: 'easy' } : {}),
      line: (nth) => (nth % 4 === 1 ? { place: null, instead: 'unranked', margin: null, against_target: null } : {}),
    },
    act: (told) => told.rows(),
    until: 'text=easy today',
  },
  settling: { field: { count: 12, elapsedMs: 13_000 }, act: (told) => told.rows(), until: 'text=Settling' },
  'rowing with cards': {
    field: {
      count: 12,
      teams: TEAMS,
      notices: NOTICES,
      line: (nth) => ({ 2: { doing: 'stopped' as const, place: null, margin: null, projected: null }, 9: { not_heard: true } })[nth] ?? {},
    },
    act: (told) => told.rows(),
    until: '.needs ol li:nth-child(4)',
  },
  'thirty in eight teams': {
    field: { count: 30, teams: ['Coot', 'Heron', 'Otter', 'Grebe', 'Wren and Dipper', 'Tern', 'Swift', 'Avocet'], notices: NOTICES },
    act: (told) => told.rows(),
    until: '.list li:nth-child(30)',
  },
  'a call that waits': { field: { count: 12 }, act: (told) => (told.rows(), told.arms('Sit tall')), until: '.armed' },
  'a call that is active': { field: { count: 12 }, act: (told) => (told.rows(), told.calls('Press and hang', [1, 4, 6]), told.stands(91_000)), until: '.running' },
  'a call that waits above an active one': {
    field: { count: 12 },
    act: (told) => (told.rows(), told.calls('Press and hang', [1, 4, 6]), told.stands(91_000), told.arms('Long through the finish')),
    until: '.armed',
  },
  'missed repeats': {
    field: { count: 12, spec: INTERVALS, line: (nth) => (nth === 3 ? { instead: 'missed' } : nth === 4 ? { doing: 'here', place: null, margin: null, projected: null } : {}) },
    act: (told) => told.rows(1),
    until: 'text=missed repeats',
  },
  resting: { field: { count: 12, spec: INTERVALS }, act: (told) => (told.rows(), told.turns('resting')), until: 'text=rest left' },
  closing: {
    field: {
      count: 12,
      waitsFor: [1, 4, 6, 8, 10],
      line: (nth) => ([1, 4, 6, 8, 10].includes(nth) ? { elapsed_ms: 330_000, not_heard: nth === 6 } : { doing: 'finished' }),
    },
    act: (told) => (told.rows(), told.turns('closing')),
    until: 'text=Results now, without',
  },
  'results in teams': {
    field: { count: 12, teams: TEAMS, margin: (nth) => (nth < 2 ? 6_400 - nth * 100 : 20_000 - 4_000 * nth) },
    act: (told) => (
      told.rows(),
      told.finishes(
        (nth) => (nth === 2 ? 'stopped' : nth === 5 || nth === 7 ? 'unfinished' : nth === 9 ? 'did_not_start' : 'finished'),
        (nth) => (nth === 7 ? { marks: ['repeats_missed'] } : nth === 3 ? { marks: ['joined', 'gaps'] } : {}),
      )
    ),
    until: '.teams li',
  },
  'the desk when it is over': {
    field: { count: 12, teams: TEAMS, margin: (nth) => (nth < 2 ? 6_400 - nth * 100 : 20_000 - 4_000 * nth), line: () => ({ doing: 'finished' }) },
    act: (told) => (told.rows(), told.finishes()),
    until: '.list li',
    press: 'Piece',
  },
  'the server out of reach': { field: { count: 12 }, act: (told) => (told.rows(), told.goes()), until: 'text=out of reach' },
  'another device leads': { field: { count: 12, welcome: { in_command: false } }, act: (told) => told.rows(), until: 'text=This device watches' },
  'who asks to be let in': {
    field: {
      count: 12,
      welcome: {
        requests: [
          { request: '01994c1f-0b12-7e80-9a3c-00000000aaaa', name: 'Zsófia Vantongeren', athlete: null, asked_at_ms: 170_000, here: true, from: 'Android browser' },
          { request: '01994c1f-0b12-7e80-9a3c-00000000aaab', name: 'Bo Ek', athlete: '01994c1f-0b12-7e80-9a3c-000000000003', asked_at_ms: 150_000, here: false, from: null },
        ],
      },
    },
    act: (told) => told.rows(),
    until: 'text=Asking to be let in',
  },
  closed: { field: { count: 12, welcome: { closed: true } }, act: (told) => (told.rows(), told.finishes()), until: 'text=This session is closed' },
};

test.each(Object.entries(SCENES))('%s: in order in all sizes and both themes', async (name, { field, act, until, press }) => {
  const page = await browser.newPage({ viewport: LAPTOP, reducedMotion: 'reduce' });
  const wrong: string[] = [];
  page.on('pageerror', (error) => wrong.push(String(error)));
  const told = new Told({ ...field, role: 'coach' });
  await told.open(page, `${pages.origin}/coach/KAMURETA#secret-of-the-coach`);
  await page.getByRole('heading', { name: 'Tuesday at the weir' }).waitFor();
  act(told);
  if (press !== undefined) await page.getByRole('button', { name: press, exact: true }).click();
  await page.locator(until).first().waitFor();
  await page.evaluate(() => document.fonts.ready.then(() => undefined));
  for (const size of SIZES) {
    await page.setViewportSize(size);
    for (const theme of ['dark', 'light']) {
      await page.evaluate((theme) => (document.documentElement.dataset['theme'] = theme), theme);
      if (SHOTS !== undefined) await page.screenshot({ path: `${SHOTS}/coach-${name.replaceAll(' ', '-')}-${size.width}-${theme}.png` });
      // What is beside and what is under another is not the same on a small screen.
      if (size.width === LAPTOP.width || size.width === 390) expect.soft(await violations(page), `${name}, ${size.width}, ${theme}`).toEqual([]);
    }
    expect.soft(await faults(page), `${name}, ${size.width}`).toEqual([]);
  }
  expect(wrong).toEqual([]);
  await page.close();
}, 120_000);
