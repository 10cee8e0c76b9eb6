// Pace from distance and arrival, finer than a machine's whole seconds.
import { expect, test } from 'vitest';
import { marked, pace, type Mark } from './pace';

const rowed = (seconds: number, metresASecond: number): readonly Mark[] =>
  Array.from({ length: seconds + 1 }, (_, s) => s).reduce<readonly Mark[]>(
    (marks, s) => marked(marks, { heard_ms: s * 1_000, distance_dm: Math.floor(s * metresASecond) * 10 }),
    [],
  );

test('whole metres once a second tell the pace within one per cent', () => {
  for (const metresASecond of [3.31, 3.87, 4.02, 4.63]) {
    const wanted = 500_000 / metresASecond;
    expect(Math.abs((pace(rowed(30, metresASecond)) ?? 0) - wanted) / wanted).toBeLessThan(0.01);
  }
});

test('a reset begins anew, and who sits still has no pace', () => {
  const marks = marked(rowed(30, 4), { heard_ms: 31_000, distance_dm: 0 });
  expect([marks.length, pace(marks), pace(rowed(30, 0))]).toEqual([1, null, null]);
});

test('what is long past is let go', () => {
  expect(rowed(600, 4).length).toBeLessThan(15);
});
