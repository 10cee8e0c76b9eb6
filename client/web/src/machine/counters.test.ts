// What the machine counts comes through whole: when it wraps, is reset, arrives in turns, or falls silent.
import { expect, test } from 'vitest';
import { NOTHING_SAID, counted, standing, type Said } from './counters';
import type { Rowed } from './ftms';

/** Records heard one after another: instant in seconds, record. */
function said(...records: readonly (readonly [number, Rowed])[]): (Said | null)[] {
  let counters = NOTHING_SAID;
  return records.map(([at_s, record]) => {
    const taken = counted(counters, record, at_s * 1_000);
    counters = taken.counters;
    return taken.said;
  });
}

test('metres, seconds and half strokes become what the protocol counts in', () => {
  expect(said([3, { distance_m: 17, elapsed_s: 4, strokes: 3, rate_half_spm: 49, power_w: 171, pace_per_500m_s: 127 }])).toEqual([
    { distance_dm: 170, elapsed_ms: 4_000, strokes: 3, rate_half_spm: 49, power_w: 171 },
  ]);
});

test('counters of 16 bits go round and count on', () => {
  const [, after] = said([0, { distance_m: 9_000, elapsed_s: 65_535, strokes: 65_534 }], [2, { distance_m: 9_009, elapsed_s: 1, strokes: 0 }]);
  expect(after).toEqual({ distance_dm: 90_090, elapsed_ms: 65_537_000, strokes: 65_536 });
});

test('a machine that was set to zero is not taken for one that went round', () => {
  const [, reset, later] = said(
    [0, { distance_m: 1_400, elapsed_s: 306, strokes: 131 }],
    [2, { distance_m: 0, elapsed_s: 0, strokes: 0 }],
    [4, { distance_m: 9, elapsed_s: 2, strokes: 1 }],
  );
  expect(reset).toEqual({ distance_dm: 0, elapsed_ms: 0, strokes: 0 });
  expect(later).toEqual({ distance_dm: 90, elapsed_ms: 2_000, strokes: 1 });
  // Reset to zero while out of reach, and rowed further than before: the clock shows it.
  const [, beyond] = said([0, { distance_m: 30, elapsed_s: 40_000, strokes: 40_000 }], [20, { distance_m: 61, elapsed_s: 15, strokes: 7 }]);
  expect(beyond).toEqual({ distance_dm: 610, elapsed_ms: 15_000, strokes: 7 });
});

test('a machine that sends its fields in turns loses none of them', () => {
  const [first, second, third] = said(
    [0, { strokes: 5, rate_half_spm: 52, power_w: 144 }],
    [0.5, { distance_m: 31, elapsed_s: 9 }],
    [1, { strokes: 6, rate_half_spm: 53, elapsed_s: 10 }],
  );
  expect([first, third]).toEqual([null, null]);
  expect(second).toEqual({ distance_dm: 310, elapsed_ms: 9_000, strokes: 5, rate_half_spm: 52, power_w: 144 });
});

test('numbers that mean "unknown" do not cost the distance', () => {
  const [odd] = said([0, { distance_m: 12, rate_half_spm: 255, power_w: -3 }]);
  expect(odd).toEqual({ distance_dm: 120 });
});

test('only a machine at rest is taken to show what it said last', () => {
  const after = (...metres: number[]) => metres.reduce((counters, distance_m, nth) => counted(counters, { distance_m }, nth * 1_000).counters, NOTHING_SAID);
  expect(standing(NOTHING_SAID)).toBeNull();
  expect(standing(after(0))).toEqual({ distance_dm: 0 });
  expect(standing(after(4, 8))).toBeNull();
  expect(standing(after(4, 8, 8))).toEqual({ distance_dm: 80 });
});
