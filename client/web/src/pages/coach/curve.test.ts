import { expect, test } from 'vitest';
import { shareSeen, stretches } from './course';
import { curvePath, spread } from './curve';
import type { Seen } from './history';
import { byPace, targetPace } from './target';

const piece = (repeats: readonly (readonly ['distance' | 'time', number])[]) => ({
  title: '', clock: 'common_go', repeat_start: 'common_signal', count_ms: 10_000, call_sheet: [],
  repeats: repeats.map(([by, length]) => ({ rest_ms: 0, work: by === 'distance' ? { by, distance_dm: length } : { by, time_ms: length } })),
}) satisfies Parameters<typeof stretches>[0];

test('a curve breaks where nothing is known, and faster is drawn higher', () => {
  const points = [[0, 120_000], [10_000, 110_000], [20_000, null], [30_000, 115_000]] as const;
  const path = curvePath(points, 30_000, { low: 110_000, high: 120_000 }, 'less');
  expect(path).toBe('M0.0 60.0L66.7 0.0M200.0 30.0');
});

test('the first strokes do not flatten all others, and the level is always seen', () => {
  const points = Array.from({ length: 100 }, (_, nth) => [nth, nth < 3 ? 200 : 28 + (nth % 2)] as const);
  const { low, high } = spread(points, [34]);
  expect(high).toBeLessThan(37);
  expect(low).toBeLessThan(28);
  expect(spread([], [])).toEqual({ low: 0, high: 1 });
});

test('repeats are as long as their work, whatever the rest', () => {
  expect(stretches(piece([['distance', 10_000], ['distance', 5_000], ['distance', 5_000]]))).toEqual([
    { from: 0, to: 0.5 }, { from: 0.5, to: 0.75 }, { from: 0.75, to: 1 },
  ]);
});

test('where the middle of the field was at an instant', () => {
  const seen = (done_dm: number): Seen[] => [
    { at_ms: 1_000, elapsed_ms: 1_000, done_dm, pace_per_500m_ms: null, plan_per_500m_ms: null, rate_half_spm: null, heart_bpm: null, call: null, margin: null },
  ];
  const history = new Map([['a', seen(1_700)], ['b', seen(3_400)], ['c', seen(8_500)]]);
  expect(shareSeen(history, piece([['distance', 17_000]]), 2_000)).toBeCloseTo(0.2, 9);
  expect(shareSeen(history, piece([['distance', 17_000]]), 500)).toBeNull();
});

// 1,700 m in 5:06 is 306 s / 3.4 = 90 s for 500 m; 3,060 m in 9 minutes is 540 s / 6.12.
test('targets of every kind are one pace, and the ladder goes by it', () => {
  const metres = piece([['distance', 17_000]]);
  expect(targetPace({ want: 'finish', finish_ms: 306_000 }, metres)).toBe(90_000);
  expect(targetPace({ want: 'distance', distance_dm: 30_600 }, piece([['time', 540_000]]))).toBeCloseTo(88_235.29, 1);
  expect(targetPace({ want: 'distance', distance_dm: 30_600 }, metres)).toBeNull();
  const ladder = byPace([null, { want: 'pace', per_500m_ms: 99_000 }, { want: 'finish', finish_ms: 306_000 }] as const, (one) => one, metres);
  expect(ladder.map((one) => one?.want)).toEqual(['finish', 'pace', undefined]);
});
