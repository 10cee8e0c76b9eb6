import { expect, test } from 'vitest';
import { Thin } from './thin';

function recorded(everyMs: number, seconds: number): number {
  const thin = new Thin();
  let count = 0;
  for (let ms = 0; ms < seconds * 1_000; ms += everyMs) count += thin.lets(ms) ? 1 : 0;
  return count;
}

test('four a second are all recorded, and of ten four', () => {
  expect(recorded(250, 3_600)).toBe(4 * 3_600);
  expect(recorded(2_400, 2_400)).toBe(1_000);
  expect(recorded(100, 600)).toBeGreaterThanOrEqual(4 * 600);
  expect(recorded(100, 600)).toBeLessThanOrEqual(4 * 600 + 40);
});

test('several at once are all recorded', () => {
  const thin = new Thin();
  expect(Array.from({ length: 40 }, () => thin.lets(5_000)).every((lets) => lets)).toBe(true);
  expect(thin.lets(5_000)).toBe(false);
  expect(thin.lets(5_250)).toBe(true);
});
