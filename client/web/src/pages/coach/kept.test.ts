import { expect, test } from 'vitest';
import type { ListedCall } from '../../session/reduce';
import { effectOf, effectText } from './effect';
import type { History, Seen } from './history';
import { knownEffect, packed, unpacked, type KeptPiece } from './kept';

const GO = 20_000;
const SENT = 100_000;
const NOW = SENT + 40_000;

/** One who is seen every second, from 40 s before the call to 40 s after it, faster by so many per cent after it. */
function seen(faster: number, call: string | null = null): Seen[] {
  let done = 1_000;
  return Array.from({ length: 81 }, (_, second): Seen => {
    const at_ms = SENT - 40_000 + second * 1_000;
    done += at_ms > SENT ? 40 * (1 + faster / 100) : 40;
    return { at_ms, elapsed_ms: at_ms - GO, done_dm: done, pace_per_500m_ms: 125_000, plan_per_500m_ms: 124_000, rate_half_spm: 52, heart_bpm: 171, call: at_ms > SENT ? call : null, margin: 0.4 };
  });
}

const history: History = new Map([['ida', seen(1.2, 'c')], ['bo', seen(1.4, 'c')], ['uma', seen(0)]]);
const call = (more: Partial<ListedCall> = {}): ListedCall => ({
  call: 'c', text: { shown: 'Long reach', spoken: '' }, span: { until: 'strokes', strokes: 10 }, sent_at_ms: SENT,
  athletes: ['ida', 'bo'], replaced: [], sheet: null, over: { at_ms: SENT + 30_000, how: 'ended' }, ...more,
});
const FRESH: KeptPiece = { history, effects: new Map() };
const reloaded = (kept: KeptPiece, calls: readonly ListedCall[], go = GO) => unpacked(packed(GO, kept, calls, NOW), go);

test('what was seen comes back as it was, but for heart rate, which is kept nowhere', () => {
  const back = reloaded(FRESH, []).history;
  expect([...back]).toEqual([...history].map(([athlete, all]) => [athlete, all.map((one) => ({ ...one, heart_bpm: null }))]));
  expect(packed(GO, FRESH, [], NOW)).not.toContain('171');
});

test('a call that was over keeps its figures, though nothing is seen any more', () => {
  const before = effectOf(call(), history, NOW);
  expect(effectText(before)).toMatch(/^faster by 1\.\d %$/);
  const { effects } = reloaded(FRESH, [call()]);
  expect(knownEffect(call(), { history: new Map(), effects }, 0)).toEqual(before);
  // Nor do sights change it that are fewer, and would measure something else.
  const other: History = new Map([['ida', seen(9)], ['bo', seen(9)]]);
  expect(effectOf(call(), other, NOW)).not.toEqual(before);
  expect(knownEffect(call(), { history: other, effects }, NOW)).toEqual(before);
  // Over a second reload, too.
  const twice = unpacked(packed(GO, { history: new Map(), effects }, [call()], 0), GO);
  expect(knownEffect(call(), twice, 0)).toEqual(before);
});

test('a call that still stood is measured on, and never from less than before', () => {
  const stands = call({ over: null });
  const { effects } = reloaded(FRESH, [stands]);
  const before = effectOf(stands, history, NOW);
  const longer: History = new Map([...history].map(([athlete, all]) => [athlete, [...all, ...all.slice(-5).map((one, nth) => ({ ...one, at_ms: NOW + 1_000 * (nth + 1), elapsed_ms: NOW - GO + 1_000 * (nth + 1), done_dm: one.done_dm + 200 }))]]));
  const now = effectOf(stands, longer, NOW + 5_000);
  expect(now).not.toEqual(before);
  expect(knownEffect(stands, { history: longer, effects }, NOW + 5_000)).toEqual(now);
  expect(knownEffect(stands, { history: new Map([['ida', seen(9)]]), effects }, NOW)).toEqual(before);
  expect(knownEffect(stands, { history: new Map(), effects }, NOW)).toEqual(before);
});

test('another piece, and text that cannot be read, are nothing', () => {
  expect(reloaded(FRESH, [call()], GO + 1)).toEqual({ history: new Map(), effects: new Map() });
  for (const text of [null, 'no JSON', '{}', `{"go":${GO},"calls":[],"seen":[["ida",[[1,2]]]],"effects":[]}`, `{"go":${GO},"calls":[],"seen":[],"effects":[["c"]]}`]) {
    expect(unpacked(text, GO).history.size, String(text)).toBe(0);
    expect(unpacked(text, GO).effects.size, String(text)).toBe(0);
  }
});

test('of a large class the newest is kept, and no more than a tab can hold', () => {
  const large: History = new Map(Array.from({ length: 900 }, (_, nth) => [`athlete ${nth}`, seen(0)]));
  const text = packed(GO, { history: large, effects: new Map() }, [], NOW);
  expect(text.length).toBeLessThan(2_000_000);
  expect(unpacked(text, GO).history.get('athlete 7')?.at(-1)?.at_ms).toBe(NOW);
});
