import { describe, expect, test } from 'vitest';
import type { ListedCall } from '../../session/reduce';
import { effectOf, effectText, isClear, changeText, quantile } from './effect';
import type { History, Seen } from './history';

const SENT = 100_000;
const CALL: ListedCall = {
  call: 'c', text: { shown: 'Long reach', spoken: '' }, span: { until: 'strokes', strokes: 10 }, sent_at_ms: SENT,
  athletes: [], replaced: [], sheet: null, over: { at_ms: SENT + 25_000, how: 'ended' },
};

/** One who is seen every second from 40 s before the call to 40 s after, with a speed and a rate before and after. */
function rower([was, is]: readonly [number, number], [rateWas, rateIs]: readonly [number, number] = [26, 26], restAt = 0): Seen[] {
  let [done, elapsed] = [1_000, 60_000];
  return Array.from({ length: 81 }, (_, second): Seen => {
    const at_ms = SENT - 40_000 + second * 1_000;
    const after = at_ms > SENT;
    const rests = restAt > 0 && at_ms > restAt && at_ms <= restAt + 10_000;
    if (!rests) [done, elapsed] = [done + (after ? is : was) * 10, elapsed + 1_000];
    const speed = after ? is : was;
    return { at_ms, elapsed_ms: elapsed, done_dm: done, pace_per_500m_ms: 500_000 / speed, plan_per_500m_ms: null, rate_half_spm: 2 * (after ? rateIs : rateWas), heart_bpm: null, call: null, margin: null };
  });
}

const field = (speeds: readonly (readonly [number, number])[]): History => new Map(speeds.map((speed, nth) => [`a${nth}`, rower(speed)]));
const to = (athletes: readonly string[], more: Partial<ListedCall> = {}): ListedCall => ({ ...CALL, athletes: [...athletes], ...more });
const measured = (call: ListedCall, history: History, now = SENT + 40_000) => {
  const effect = effectOf(call, history, now);
  if (effect.is !== 'measured') throw new Error(effect.is);
  return effect;
};

describe('after a call', () => {
  test('all a little faster, and alike: that is clear', () => {
    const effect = measured(to(['a0', 'a1', 'a2', 'a3']), field([[4, 4.04], [4, 4.05], [4, 4.07], [4, 4.05]]));
    // Changes of 1.0, 1.25, 1.75 and 1.25 per cent: mean 1.3125, standard error 0.1573, t(3 df, 90 %) = 1.638.
    expect(effect.speed.mean).toBeCloseTo(1.3125, 3);
    expect(effect.speed.half).toBeCloseTo(1.638 * 0.1573, 2);
    expect([effectText(effect), effect.faster, effect.of]).toEqual(['faster by 1.3 %', 4, 4]);
  });

  test('a standing start is no measure of before', () => {
    // Half the speed for the first ten seconds, then 4 m/s, the call at 40 s and ever after.
    const started = Array.from({ length: 81 }, (_, second): Seen => ({
      at_ms: SENT - 40_000 + second * 1_000, elapsed_ms: second * 1_000, done_dm: Math.min(second, 10) * 20 + Math.max(0, second - 10) * 40,
      pace_per_500m_ms: 125_000, plan_per_500m_ms: null, rate_half_spm: 52, heart_bpm: null, call: null, margin: null,
    }));
    const effect = measured(to(['a0', 'a1']), new Map([['a0', started], ['a1', started]]));
    expect(effect.speed.mean).toBeCloseTo(0, 9);
  });

  test('some faster, some slower: no clear change', () => {
    const effect = measured(to(['a0', 'a1', 'a2', 'a3']), field([[4, 4.08], [4, 3.95], [4, 4.05], [4, 3.97]]));
    expect(effectText(effect)).toBe('no clear change');
    expect(effect.faster).toBe(2);
  });

  // 15.7 x (4 % / 2 %)^2 = 63 strokes are needed to see 2 % in one athlete (80 % power, 5 %): ten do not show it.
  test('ten strokes of one athlete do not show two per cent', () => {
    expect(effectText(measured(to(['a0']), field([[4, 4.08]])))).toBe('no clear change');
    expect(isClear(measured(to(['a0']), field([[4, 4.4]])).speed)).toBe(true);
  });

  test('when everybody slows down, those without the call are what it is held against', () => {
    const drift = [[4, 3.96], [4, 3.95], [4, 3.97], [4, 3.96]] as const;
    const all = field([...drift, ...drift]);
    const effect = measured(to(['a0', 'a1', 'a2', 'a3']), all);
    expect(effect.against).toBe(4);
    expect(effectText(effect)).toBe('no clear change');
    const alone = measured(to([...all.keys()]), all);
    expect([alone.against, effectText(alone)]).toEqual([0, 'slower by 1.0 %']);
  });

  test('rate and metres a stroke are told beside it', () => {
    const history: History = new Map(['a0', 'a1', 'a2'].map((id) => [id, rower([4, 4], [30, 28])]));
    const { rate, stroke, speed } = measured(to(['a0', 'a1', 'a2']), history);
    expect(rate?.mean).toBeCloseTo(-2, 6);
    expect(stroke?.mean).toBeCloseTo((30 / 28 - 1) * 100, 1);
    expect(effectText(measured(to(['a0', 'a1', 'a2']), history))).toBe('no clear change');
    expect(speed.mean).toBeCloseTo(0, 6);
  });

  test('too early, and not seen: it says so instead of guessing', () => {
    const seen = field([[4, 4.2], [4, 4.2]]);
    const early = new Map([...seen].map(([id, rows]) => [id, rows.filter(({ at_ms }) => at_ms <= SENT + 9_000)]));
    expect(effectText(effectOf(to(['a0', 'a1'], { over: null }), early, SENT + 9_000))).toBe('too early to say');
    const late = new Map([...seen].map(([id, rows]) => [id, rows.filter(({ at_ms }) => at_ms >= SENT - 4_000)]));
    expect(effectText(effectOf(to(['a0', 'a1']), late, SENT + 40_000))).toBe('not seen for long enough');
  });

  test('a call of the sheet is told from when each athlete got it', () => {
    // The first got it 20 s before these two, who change at SENT.
    const having = (rows: Seen[]) => rows.map((row) => ({ ...row, call: row.at_ms > SENT && row.at_ms <= SENT + 25_000 ? 'c' : null }));
    const history: History = new Map(['a0', 'a1'].map((id) => [id, having(rower([4, 4.2]))]));
    const effect = measured(to(['a0', 'a1'], { sheet: 0, sent_at_ms: SENT - 20_000 }), history);
    expect(effect.speed.mean).toBeCloseTo(5, 0);
  });

  test('a rest is no change: what lies behind it is left out', () => {
    const history: History = new Map(['a0', 'a1'].map((id) => [id, rower([4, 4.2], [26, 26], SENT - 3_000)]));
    expect(effectText(effectOf(to(['a0', 'a1']), history, SENT + 40_000))).toBe('not seen for long enough');
  });
});

// Student's t, 90th percentile: NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.6.7.2.
test.each([[1, 3.078], [2, 1.886], [3, 1.638], [4, 1.533], [5, 1.476], [8, 1.397], [10, 1.372], [20, 1.325], [60, 1.296], [Infinity, 1.282]])(
  'half an 80 %% interval with %d degrees of freedom',
  (freedom, t) => expect(Math.abs(quantile(freedom) / t - 1)).toBeLessThan(0.01),
);

test('a change is written with its interval', () => {
  expect([changeText({ mean: -1.84, half: 0.62 }), changeText({ mean: 0.04, half: 1 }), changeText({ mean: 2, half: 1 })]).toEqual(['−1.8 ± 0.6', '0.0 ± 1.0', '+2.0 ± 1.0']);
});

test('what reads 0.0 is no change, however sure it is', () => {
  const effect = { is: 'measured', rate: null, stroke: null, faster: 2, of: 2, against: 0 } as const;
  expect(effectText({ ...effect, speed: { mean: 0.04, half: 0.01 } })).toBe('no clear change');
  expect(effectText({ ...effect, speed: { mean: -0.06, half: 0.01 } })).toBe('slower by 0.1 %');
});
