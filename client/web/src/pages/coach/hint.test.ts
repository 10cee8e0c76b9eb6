import { expect, test } from 'vitest';
import type { About } from '../../protocol/decode';
import { hintFor } from './hint';

const pad = (...shown: string[]) => shown.map((one) => ({ shown: one, spoken: '' }));
const PAD = pad('Sit tall', 'Long reach', 'Press and hang', 'Slow forward', 'Breathe out', 'Hold this');
const FADING: About = { about: 'fading', now_per_500m_ms: 131_000, before_per_500m_ms: 124_500, enough_per_500m_ms: 125_000 };
const EARLY: About = { about: 'too_fast', now_per_500m_ms: 117_000, plan_per_500m_ms: 123_000 };
const HASTE: About = { about: 'rate_no_faster', rate_half_spm: 63, before_half_spm: 57, now_per_500m_ms: 123_000, before_per_500m_ms: 123_100 };
const HEART: About = { about: 'heart_rate', heart_bpm: 184, limit_bpm: 178 };

test('a card names a call of the pad that fits its reason, with its place', () => {
  expect(hintFor(FADING, PAD)).toEqual({ place: 1, shown: 'Long reach' });
  // Telling somebody who is too fast to hold on would be the wrong word.
  expect(hintFor(EARLY, PAD)).toEqual({ place: 3, shown: 'Slow forward' });
  expect(hintFor(EARLY, pad('Hold this'))).toBeNull();
  expect(hintFor(HASTE, PAD)).toEqual({ place: 3, shown: 'Slow forward' });
  expect(hintFor(HEART, PAD)).toEqual({ place: 4, shown: 'Breathe out' });
});

test('whole words count, and without one that fits there is no hint', () => {
  expect(hintFor(FADING, pad('No longer', 'Hangar'))).toBeNull();
  expect(hintFor(FADING, [])).toBeNull();
  expect(hintFor(FADING, pad('LEGS, legs'))).toEqual({ place: 0, shown: 'LEGS, legs' });
  expect(hintFor(FADING, pad('Legs!'))).toEqual({ place: 0, shown: 'Legs!' });
});

test('nobody who has stopped is called, and nobody with a high heart rate is pushed', () => {
  expect(hintFor({ about: 'stopped', done_dm: 4_310 }, PAD)).toBeNull();
  expect(hintFor(HEART, pad('Breathe and go', 'Press harder', 'Long reach'))).toBeNull();
  expect(hintFor(HEART, pad('Breathe and go', 'Loose hands'))).toEqual({ place: 1, shown: 'Loose hands' });
});

test('what no call mends has no hint', () => {
  expect(hintFor({ about: 'not_heard', since_ms: 5 }, PAD)).toBeNull();
  expect(hintFor({ about: 'machine_reset', done_dm: 4_310 }, PAD)).toBeNull();
});
