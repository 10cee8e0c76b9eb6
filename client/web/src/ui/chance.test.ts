import { expect, test } from 'vitest';
import { guessOf, phi, stops } from './chance';

// NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.1: cumulative distribution, standard normal.
test.each([
  [0, 0.5],
  [0.5, 0.691_46],
  [1, 0.841_34],
  [1.645, 0.950_02],
  [1.96, 0.975],
  [-1.28, 0.100_27],
  [-3, 0.001_35],
])('phi(%d) = %d', (z, p) => expect(phi(z)).toBeCloseTo(p, 4));

test('the opacity at a point is the chance of finishing beyond it', () => {
  const bar = stops({ mean: 1, sd: 0.5 }, 'ahead', 4);
  expect(bar).toHaveLength(14);
  expect(bar[0]?.opacity).toBeCloseTo(0.977_25, 4);
  expect(bar.at(-1)?.opacity).toBeLessThan(1e-6);
  // The other side holds what is left: 2.3 % at the line.
  expect(stops({ mean: 1, sd: 0.5 }, 'behind', 4)[0]?.opacity).toBeCloseTo(0.022_75, 4);
});

test('what is settled is drawn without a fade, on one side', () => {
  expect(stops({ mean: 2, sd: 0 }, 'ahead', 4)).toEqual([{ at: 0, opacity: 1 }, { at: 0.5, opacity: 1 }, { at: 0.5, opacity: 0 }]);
  expect(stops({ mean: 2, sd: 0 }, 'behind', 4).every(({ opacity }) => opacity === 0)).toBe(true);
});

test('an 80 % interval becomes a standard deviation of the margin', () => {
  const finish = (finish_ms: number) => ({ want: 'finish', finish_ms }) as const;
  const projected = { finish: finish(455_900), low: finish(451_200), high: finish(461_300), chance_permille: 744 };
  const margin = { margin_ppm: 6_754, margin_ms: 3_100, margin_dm: null };
  const share = guessOf(margin, projected, 'share');
  expect(share.mean).toBeCloseTo(0.6754, 6);
  // 10.1 s between the ends: half of it is 1.2816 standard deviations, of a target of 459 s.
  expect(share.sd).toBeCloseTo(((5.05 / 1.281_55) * 100) / 459, 4);
  expect(guessOf(margin, projected, 'amount')).toEqual({ mean: 3.1, sd: expect.closeTo(3.9405, 3) });
});
