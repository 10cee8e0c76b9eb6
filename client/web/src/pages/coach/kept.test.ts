import { expect, test } from 'vitest';
import type { History, Seen } from './history';
import { packed, unpacked } from './kept';

const GO = 20_000;
const NOW = 140_000;

/** Somebody who is seen every second for 80 s. */
function seen(call: string | null = null): Seen[] {
  return Array.from({ length: 81 }, (_, second): Seen => {
    const at_ms = NOW - 80_000 + second * 1_000;
    return { at_ms, elapsed_ms: at_ms - GO, done_dm: 1_000 + 40 * second, pace_per_500m_ms: 125_000, plan_per_500m_ms: 124_000, rate_half_spm: 52, heart_bpm: 171, call, margin: 0.4 };
  });
}

const history: History = new Map([['ida', seen('c')], ['bo', seen('c')], ['uma', seen()]]);

test('what was seen comes back as it was, but for heart rate, which is kept nowhere', () => {
  const text = packed(GO, history);
  expect([...unpacked(text, GO)]).toEqual([...history].map(([athlete, all]) => [athlete, all.map((one) => ({ ...one, heart_bpm: null }))]));
  expect(text).not.toContain('171');
});

test('another piece, and text that cannot be read, are nothing', () => {
  expect(unpacked(packed(GO, history), GO + 1).size).toBe(0);
  for (const text of [null, 'no JSON', '{}', `{"go":${GO},"calls":[],"seen":[["ida",[[1,2]]]]}`]) {
    expect(unpacked(text, GO).size, String(text)).toBe(0);
  }
});

test('of a large class the newest is kept, and no more than a tab can hold', () => {
  const large: History = new Map(Array.from({ length: 900 }, (_, nth) => [`athlete ${nth}`, seen()]));
  const text = packed(GO, large);
  expect(text.length).toBeLessThan(2_000_000);
  expect(unpacked(text, GO).get('athlete 7')?.at(-1)?.at_ms).toBe(NOW);
});
