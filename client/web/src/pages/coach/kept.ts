// What this page has seen of the piece, kept across a reload: the newest sights of each athlete. It stays in the tab,
// and has no heart rate in it.
import { restored } from '../../protocol/decode';
import type { History, Seen } from './history';

/** Sights that are kept for all athletes together: about a megabyte of text. */
const SIGHTS_MAX = 20_000;
/** One sight as it is kept: instants, work, pace, plan, rate, the call by its number, the margin. */
type Row = readonly [number, number, number, number | null, number | null, number | null, number | null, number | null];

interface Packed {
  readonly go: number;
  readonly calls: readonly string[];
  readonly seen: readonly (readonly [string, readonly Row[]])[];
}

/** As text for the tab's storage. `go` is the instant by which the piece is recognised. */
export function packed(go: number, history: History): string {
  const most = Math.max(1, Math.floor(SIGHTS_MAX / Math.max(1, history.size)));
  const calls = [...new Set([...history.values()].flatMap((seen) => seen.flatMap(({ call }) => call ?? [])))];
  const numbers = new Map(calls.map((call, nth) => [call, nth]));
  const row = (one: Seen): Row => [
    one.at_ms, one.elapsed_ms, one.done_dm, one.pace_per_500m_ms, one.plan_per_500m_ms, one.rate_half_spm,
    one.call === null ? null : (numbers.get(one.call) ?? null), one.margin,
  ];
  const text: Packed = {
    go,
    calls,
    seen: [...history].map(([athlete, seen]) => [athlete, seen.slice(-most).map(row)]),
  };
  return JSON.stringify(text);
}

/** What was kept of the piece with this go; empty when it was of another one, or cannot be read. */
export function unpacked(text: string | null, go: number): History {
  const kept = restored<Packed>(text, ({ calls, seen }) => [calls, seen].every(Array.isArray));
  if (kept === null || kept.go !== go || !kept.seen.every(isPair)) return new Map();
  const sight = ([at_ms, elapsed_ms, done_dm, pace, plan, rate, call, margin]: Row): Seen => ({
    at_ms, elapsed_ms, done_dm, pace_per_500m_ms: pace, plan_per_500m_ms: plan, rate_half_spm: rate, heart_bpm: null,
    call: call === null ? null : (kept.calls[call] ?? null), margin,
  });
  return new Map(kept.seen.map(([athlete, rows]) => [athlete, rows.map(sight)]));
}

function isPair(value: unknown): boolean {
  return Array.isArray(value) && typeof value[0] === 'string' && Array.isArray(value[1]) && value[1].every(isRow);
}

function isRow(value: unknown): boolean {
  return Array.isArray(value) && value.length === 8 && value.every((one, nth) => typeof one === 'number' || (nth > 2 && one === null));
}
