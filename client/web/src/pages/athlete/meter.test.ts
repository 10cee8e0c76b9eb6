import { expect, test } from 'vitest';
import { Meter } from './meter';

/** A steady rower: 4 m and half a stroke a second, from 10 s on the device's clock. */
function steady(seconds: number): Meter {
  const meter = new Meter();
  for (let s = 0; s <= seconds; s += 1) {
    meter.take({ distance_dm: 500 + 40 * s, strokes: 7 + Math.floor(s / 2), rate_half_spm: 60 }, 10_000 + 1_000 * s);
  }
  return meter;
}

test('metres and strokes are counted from any instant, between two reports on the straight line', () => {
  const meter = steady(30);
  expect(meter.dmSince(10_000)).toBe(1_200);
  expect(meter.dmSince(39_500)).toBe(20);
  expect(meter.strokesSince(20_000)).toBe(10);
  // Before the first report nothing is known about what was there.
  expect(meter.dmSince(0)).toBe(1_200);
  expect(new Meter().dmSince(0)).toBe(0);
});

test('when the tenth stroke since a call was made is known', () => {
  expect(steady(30).strokesDoneMs(20_000, 10)).toBe(40_000);
  expect(steady(29).strokesDoneMs(20_000, 10)).toBeNull();
});

test('a machine that was reset goes on from where it was', () => {
  const meter = steady(10);
  meter.take({ distance_dm: 0, strokes: 0 }, 21_000);
  meter.take({ distance_dm: 80, strokes: 1 }, 23_000);
  expect(meter.dmSince(10_000)).toBe(480);
  expect(meter.strokesSince(10_000)).toBe(6);
});

test('a counter that falls by a metre is rounded, and adds nothing', () => {
  const meter = new Meter();
  [1_000, 1_080, 1_160, 1_150, 1_240, 1_320].forEach((distance_dm, nth) => meter.take({ distance_dm }, 2_000 * nth));
  expect(meter.dmSince(0)).toBe(320);
});

test('who sits still has no pace and no rate, and rows again with the next metre', () => {
  const meter = steady(30);
  expect(meter.pace(40_500)).toBe(125_000);
  expect(meter.rate(40_500)).toBe(30);
  for (let s = 31; s < 50; s += 1) meter.take({ distance_dm: 1_700 }, 10_000 + 1_000 * s);
  expect(meter.isRowing(59_000)).toBe(false);
  expect(meter.pace(59_000)).toBeNull();
  expect(meter.rate(59_000)).toBeNull();
  meter.take({ distance_dm: 1_740 }, 60_000);
  expect(meter.isRowing(60_000)).toBe(true);
});

test('a machine that counts no strokes says so', () => {
  const meter = new Meter();
  meter.take({ distance_dm: 0 }, 0);
  meter.take({ distance_dm: 40 }, 1_000);
  expect(meter.strokesSince(0)).toBeNull();
  expect(meter.strokesDoneMs(0, 1)).toBeNull();
});

test('from a standstill the pace is that of the strokes, not of the sitting before', () => {
  const meter = new Meter();
  for (let s = 0; s < 20; s += 1) meter.take({ distance_dm: 300 }, 1_000 * s);
  for (let s = 0; s < 7; s += 1) meter.take({ distance_dm: 340 + 40 * s }, 20_000 + 1_000 * s);
  expect(meter.pace(26_000)).toBe(125_000);
});

test('in a rehearsal ten times faster than real time, no metre is lost, and the pace is that of the session', () => {
  const meter = new Meter(10);
  // A report of each second of the session: a tenth of one here.
  for (let nth = 0; nth <= 60; nth += 1) meter.take({ distance_dm: 40 * nth, elapsed_ms: 1_000 * nth, strokes: Math.floor(nth / 2) }, 7_000 + 100 * nth);
  expect(meter.dmSince(7_000)).toBe(2_400);
  expect(meter.pace(13_000)).toBe(125_000);
  expect(meter.strokesDoneMs(9_000, 10)).toBe(11_000);
  // Nobody rows for 12 s of the session, which is 1.2 s here.
  expect([meter.isRowing(14_100), meter.isRowing(14_300)]).toEqual([true, false]);
});

test('in a rehearsal a pace is there after seconds of the session, and follows it as soon', () => {
  const meter = new Meter(10);
  for (let nth = 0; nth <= 6; nth += 1) meter.take({ distance_dm: 40 * nth }, 100 * nth);
  expect(meter.pace(600)).toBe(125_000);
  for (let nth = 1; nth <= 15; nth += 1) meter.take({ distance_dm: 240 + 50 * nth }, 600 + 100 * nth);
  expect(meter.pace(2_100)).toBe(100_000);
});
