import { expect, test } from 'vitest';
import type { CallEffect } from '../../protocol/decode';
import { changeText, guessOfChange, rateOf, speedOf, strokeOf } from './effect';

const EFFECT: CallEffect = {
  call: 'c', of: 6, faster: 4, against: 5,
  speed: { best_ppm: 8_400, half_ppm: 6_100 },
  rate: { best_milli_spm: -450, half_milli_spm: 600 },
  stroke: null,
};

test('an effect is shown in per cent and strokes a minute, with its interval', () => {
  expect(speedOf(EFFECT)).toEqual({ best: 0.84, half: 0.61 });
  expect(rateOf(EFFECT)).toEqual({ best: -0.45, half: 0.6 });
  expect(strokeOf(EFFECT)).toBeNull();
  expect(speedOf({ ...EFFECT, of: 0, speed: null })).toBeNull();
});

test('four times in five the truth lies within the interval that is drawn', () => {
  expect(guessOfChange({ best: 2, half: 1.281_551_6 })).toEqual({ mean: 2, sd: 1 });
});

test('a change that reads as nothing has no sign', () => {
  expect(changeText({ best: 0.84, half: 0.61 })).toBe('+0.8 ± 0.6');
  expect(changeText({ best: -1.84, half: 0.61 })).toBe('−1.8 ± 0.6');
  expect(changeText({ best: -0.04, half: 2 })).toBe('0.0 ± 2.0');
});
