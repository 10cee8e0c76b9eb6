import { expect, test } from 'vitest';
import type { Margin, Projected } from '../../protocol/decode';
import { carriedMargin, paceSide, shownMargin } from './margin';

const finish = (ms: number) => ({ want: 'finish', finish_ms: ms }) as const;
const projected: Projected = { finish: finish(390_000), low: finish(387_000), high: finish(393_400), chance_permille: 800 };
const margin = (margin_ms: number): Margin => ({ margin_ppm: Math.round((margin_ms / 392_000) * 1e6), margin_ms, margin_dm: null });

test('whole seconds, a sign and a word; what rounds to nothing is on target', () => {
  expect(shownMargin(margin(2_400), projected)).toMatchObject({ number: '+2', unit: 's', word: 'ahead', give: 3 });
  expect(shownMargin(margin(-13_600), projected)).toMatchObject({ number: '−14', word: 'behind', says: '14 seconds behind, give or take 3' });
  expect(shownMargin(margin(-400), projected)).toMatchObject({ number: '0', word: 'on target', side: 'even' });
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
