import { expect, test } from 'vitest';
import type { Margin, Projected } from '../../protocol/decode';
import { own, spec } from './faked';
import { calmed, carriedMargin, headingText, paceSide, shownMargin } from './margin';

const finish = (ms: number) => ({ want: 'finish', finish_ms: ms }) as const;
const projected: Projected = { finish: finish(390_000), low: finish(387_000), high: finish(393_400), chance_permille: 800 };
const margin = (margin_ms: number): Margin => ({ margin_ppm: Math.round((margin_ms / 392_000) * 1e6), margin_ms, margin_dm: null });

test('whole seconds, a sign and a word', () => {
  expect(shownMargin(margin(2_400), projected)).toMatchObject({ number: '+2', unit: 's', word: 'ahead', give: 3 });
  expect(shownMargin(margin(-13_600), projected)).toMatchObject({ number: '−14', word: 'behind', says: '14 seconds behind, give or take 3' });
});

test('what is about nothing has no number: the bar and two words tell it', () => {
  for (const ms of [0, 400, -380]) expect(shownMargin(margin(ms), projected)).toMatchObject({ number: '', word: 'about on target', side: 'even', give: 3 });
  expect(shownMargin(margin(-400), projected).says).toBe('about on target, give or take 3');
  // A thousandth of half an hour is nearly two seconds.
  const long = (margin_ms: number): Margin => ({ margin_ppm: Math.round((margin_ms / 1_800_000) * 1e6), margin_ms, margin_dm: null });
  expect(shownMargin(long(1_700), projected).side).toBe('even');
  expect(shownMargin(long(2_800), projected)).toMatchObject({ side: 'ahead', number: '+3' });
});

test('the number holds still until it is surely another one, and the side more so', () => {
  let before: number | null = null;
  const shown = [2_400, 2_600, 2_450, 2_700, 2_900, 2_500, 600, 300, 450, 520, -600, -700, -950, -500].map((ms) => (before = calmed(margin(ms), before)));
  expect(shown).toEqual([2, 2, 2, 2, 3, 3, 1, 0, 0, 0, 0, 0, -1, -1]);
});

test('where it is heading is said in whole seconds, and only by who has rowed all of it so far', () => {
  const heading = { projected: { ...projected, finish: finish(390_260) } };
  expect(headingText(own({ ...heading, done_dm: 8_000 }), spec('1700m'))).toBe('to 6:30');
  // Known only to a minute or so, it would be taken for a result.
  expect(headingText(own({ projected: { ...projected, low: finish(350_000), high: finish(430_000) } }), spec('1700m'))).toBe('');
  // Three repeats were rowed without them: what the rest comes to is not a finish of theirs.
  expect(headingText(own({ ...heading, repeat: 3, done_dm: 4_000 }), spec('6x500m/1:00'))).toBe('');
  expect(headingText(own({ ...heading, repeat: 3, done_dm: 15_400 }), spec('6x500m/1:00'))).toBe('to 6:30');
  expect(headingText(own({}), spec('1700m'))).toBe('');
});

test('metres in a piece by time', () => {
  const at = (dm: number) => ({ want: 'distance', distance_dm: dm }) as const;
  const far: Projected = { finish: at(30_000), low: at(29_800), high: at(30_200), chance_permille: null };
  expect(shownMargin({ margin_ppm: 4_000, margin_ms: null, margin_dm: 120 }, far)).toMatchObject({ number: '+12', unit: 'm', give: 20 });
});

test('the bar does not zoom in on what means nothing, and holds what is far off', () => {
  expect(shownMargin(margin(400), projected).reach).toBe(3);
  expect(shownMargin(margin(-60_000), projected).reach).toBeGreaterThan(15);
});

test('a carried margin has the sign of the server: plus is ahead', () => {
  expect(carriedMargin(margin(2_000), 389_000, 392_000)).toEqual({ margin_ppm: 7_653, margin_ms: 3_000, margin_dm: null });
  expect(carriedMargin({ margin_ppm: 0, margin_ms: null, margin_dm: 0 }, 30_100, 30_000)).toEqual({ margin_ppm: 3_333, margin_ms: null, margin_dm: 100 });
});

test('faster than enough lies on the right', () => {
  expect(paceSide(114_000, 120_000)).toBeCloseTo(0.5);
  expect(paceSide(240_000, 120_000)).toBe(-1);
});

test('is about on target as long as the server says so, whatever the number', () => {
  const margin = { margin_ppm: 9_000, margin_ms: 4_100, margin_dm: null };
  expect(calmed(margin, null, 'about')).toBe(0);
  expect(calmed(margin, 4, 'about')).toBe(0);
  expect(calmed(margin, 0, 'ahead')).toBe(4);
});
