import { expect, test } from 'vitest';
import type { Margin } from '../protocol/decode';
import { marginsTold, type Placed } from './margins';

const ppm = (place: number | null, margin_ppm: number): Placed => ({ place, margin: { margin_ppm, margin_ms: null, margin_dm: null } });
const told = (all: readonly Placed[], ranking: 'share' | 'amount' = 'share') => all.map(marginsTold(all, ranking));

test('who have the same place read the same, and nobody has a decimal too many', () => {
  expect(told([ppm(1, 13_900), ppm(2, -4_600), ppm(2, -4_600), ppm(null, 5_000)])).toEqual(['+1.4 %', '−0.5 %', '−0.5 %', '+0.5 %']);
});

test('who would read the same and do not share the place have as many decimals as tell them apart', () => {
  expect(told([ppm(1, 13_900), ppm(2, -4_600), ppm(3, -5_400)])).toEqual(['+1.4 %', '−0.46 %', '−0.54 %']);
  // The third of them needs no third decimal.
  expect(told([ppm(1, -4_610), ppm(2, -4_620), ppm(3, -5_010), ppm(4, -60_000)])).toEqual(['−0.461 %', '−0.462 %', '−0.50 %', '−6.0 %']);
  expect(told([ppm(1, 400), ppm(2, -400)])).toEqual(['+0.04 %', '−0.04 %']);
});

test('shares that are the same to a millionth are told by what was rowed', () => {
  const finish = (finish_ms: number) => ({ want: 'finish', finish_ms }) as const;
  const one = (place: number, target: number, shown: number): Placed => {
    const margin: Margin = { margin_ppm: Math.round((1e6 * (target - shown)) / target), margin_ms: target - shown, margin_dm: null };
    return { place, margin, target: finish(target), shown: finish(shown) };
  };
  // 700 of 350,000 is 2,000 millionths, and so are 800 of 400,100, except for a quarter of one.
  const close = [one(1, 350_000, 349_300), one(2, 400_100, 399_300)];
  expect(close.map(({ margin }) => margin?.margin_ppm)).toEqual([2_000, 2_000]);
  expect(told(close)).toEqual(['+0.20000 %', '+0.19995 %']);
});

test('ranked by seconds, hundredths and thousandths tell apart; a distance is known to a decimetre', () => {
  const seconds = (place: number, margin_ms: number): Placed => ({ place, margin: { margin_ppm: 0, margin_ms, margin_dm: null } });
  expect(told([seconds(1, 1_340), seconds(2, 1_260), seconds(3, -900)], 'amount')).toEqual(['+1.34 s', '+1.26 s', '−0.9 s']);
  expect(told([seconds(1, 1_342), seconds(2, 1_341)], 'amount')).toEqual(['+1.342 s', '+1.341 s']);
  const metres = (place: number, margin_dm: number): Placed => ({ place, margin: { margin_ppm: 0, margin_ms: null, margin_dm } });
  expect(told([metres(1, 13), metres(2, 12)], 'amount')).toEqual(['+1.3 m', '+1.2 m']);
});
