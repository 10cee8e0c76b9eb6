// One heart rate every three seconds, and the strap's before the machine's.
import { expect, test } from 'vitest';
import type { Kind } from './link';
import { NONE_PASSED, passedOn } from './beats';

function goes(...beats: readonly (readonly [number, Kind])[]): boolean[] {
  let passed = NONE_PASSED;
  return beats.map(([second, from]) => {
    const taken = passedOn(passed, { heard_ms: second * 1_000, heart_bpm: 137 }, from);
    passed = taken.passed;
    return taken.goes;
  });
}

test('one in three seconds goes on', () => {
  expect(goes([0, 'rower'], [1, 'rower'], [2.9, 'rower'], [3, 'rower'], [5, 'rower'])).toEqual([true, false, false, true, false]);
});

test('while a strap speaks the machine does not; when it has come off, the machine does again', () => {
  expect(goes([0, 'strap'], [4, 'rower'], [8, 'strap'], [12, 'rower'], [18, 'rower'])).toEqual([true, false, true, false, true]);
});
