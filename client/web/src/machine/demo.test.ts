import { expect, test } from 'vitest';
import { demo } from './demo';
import type { HeardSample } from './radio';

/** Time in which every timer fires this late. */
function lateBy(ms: number) {
  let now = 0;
  let due: { at: number; what: () => void } | null = null;
  const samples: HeardSample[] = [];
  const around = {
    now: () => now,
    later: (wait: number, what: () => void) => {
      const own = { at: now + wait + ms, what };
      due = own;
      return () => {
        if (due === own) due = null;
      };
    },
    onSession: (own: number) => own,
    sample: (sample: HeardSample) => void samples.push(sample),
  };
  const pass = (until: number): void => {
    while (due !== null && due.at <= until) {
      const { at, what } = due;
      [now, due] = [at, null];
      what();
    }
    now = until;
  };
  return { around, samples, pass };
}

const metres = (samples: readonly HeardSample[]): number => (samples.at(-1)?.distance_dm ?? 0) / 10;

test('late timers make no slow rower: in a rehearsal ten times faster than real time it rows its pace', () => {
  const { around, samples, pass } = lateBy(30);
  const rower = demo(around, { per_500m_ms: 125_000, rate_half_spm: 50, seed: 9 }, 10);
  rower.row(true);
  pass(30_000);
  // 300 s of the session at 4 m/s.
  expect(Math.abs(metres(samples) - 1_200)).toBeLessThan(15);
  expect(samples.at(-1)?.strokes).toBe(124);
});

test('another target is another pace, from then on', () => {
  const { around, samples, pass } = lateBy(0);
  const rower = demo(around, { per_500m_ms: 125_000, rate_half_spm: 50, seed: 9 });
  rower.row(true);
  pass(100_000);
  const before = metres(samples);
  rower.aim(100_000);
  pass(200_000);
  expect(Math.abs(before - 400)).toBeLessThan(8);
  expect(Math.abs(metres(samples) - before - 500)).toBeLessThan(8);
});
