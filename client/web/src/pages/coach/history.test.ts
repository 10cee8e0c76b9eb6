import { expect, test } from 'vitest';
import type { Standings } from '../../protocol/decode';
import { marginAgo, metresPerStroke, remembered, type History } from './history';

function at(at_ms: number, margin_ms: number): Standings {
  const finish = { want: 'finish', finish_ms: 306_000 - margin_ms } as const;
  return {
    piece: 0, at_ms, drawn_at_ms: at_ms, teams: [], calls: [], waits_for: [],
    lines: [{
      athlete: 'ida', place: 1, doing: 'rowing', not_heard: false, done_dm: at_ms / 250, elapsed_ms: at_ms, share_permille: 100, against_target: null, instead: null,
      margin: { margin_ppm: Math.round((margin_ms / 306_000) * 1e6), margin_ms, margin_dm: null },
      projected: { finish, low: finish, high: finish, chance_permille: 500 },
    }],
  };
}

test('a minute ago is told from what was seen then, and not from what was not', () => {
  let history: History = new Map();
  for (let second = 0; second <= 100; second += 1) {
    history = remembered(history, { standings: at(second * 1_000, second * 100), details: [] }, 'amount');
  }
  expect(marginAgo(history, 'ida', 100_000, 60_000)).toBe(4);
  expect(marginAgo(history, 'ida', 50_000, 60_000)).toBeNull();
  expect(marginAgo(history, 'bo', 100_000, 60_000)).toBeNull();
});

test('the same said again is one sight, and a long piece is kept whole, more coarsely', () => {
  let history: History = new Map();
  for (let second = 0; second < 10_800; second += 1) {
    history = remembered(history, { standings: at(second * 1_000, 0), details: [] }, 'share');
    history = remembered(history, { standings: at(second * 1_000, 0), details: [] }, 'share');
  }
  const seen = history.get('ida') ?? [];
  expect(seen.length).toBeLessThanOrEqual(1_200);
  expect([seen[0]?.at_ms, seen.at(-1)?.at_ms]).toEqual([0, 10_799_000]);
  expect(seen.slice(-300).every((point, nth, all) => nth === 0 || point.at_ms - (all[nth - 1]?.at_ms ?? 0) === 1_000)).toBe(true);
});

// 2:00/500m at 25 a minute: 500 m in 120 s is 4.167 m/s, and 2.4 s a stroke make 10 m.
test('metres a stroke come from pace and rate', () => {
  expect(metresPerStroke({ pace_per_500m_ms: 120_000, rate_half_spm: 50 })).toBeCloseTo(10, 9);
  expect(metresPerStroke({ pace_per_500m_ms: 120_000, rate_half_spm: null })).toBeNull();
  expect(metresPerStroke({ pace_per_500m_ms: 120_000, rate_half_spm: 0 })).toBeNull();
});
