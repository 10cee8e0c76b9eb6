// What this page has seen of the piece, kept over a reload of it: the newest sights of each athlete, and the effects
// that were measured. It stays in the tab, and has no heart rate in it.
import { isFields, restored } from '../../protocol/decode';
import type { ListedCall } from '../../session/reduce';
import { AFTER_MS, effectOf, type Effect } from './effect';
import type { History, Seen } from './history';

/** Sights that are kept, of all athletes together: about a megabyte of text. */
const SIGHTS_MAX = 20_000;
/** Sights come once a second: the last ones before the end of a call come a little after it. */
const SETTLED_MS = 3_000;

/** An effect that was measured before, and whether it was settled then. */
export interface KeptEffect {
  readonly effect: Effect;
  readonly settled: boolean;
}

export type KeptEffects = ReadonlyMap<string, KeptEffect>;

/** What outlives a reload. */
export interface KeptPiece {
  readonly history: History;
  readonly effects: KeptEffects;
}

const NOTHING: KeptPiece = { history: new Map(), effects: new Map() };

/** One sight as it is kept: instants, work, pace, plan, rate, the call by its number, the margin. */
type Row = readonly [number, number, number, number | null, number | null, number | null, number | null, number | null];

interface Packed {
  readonly go: number;
  readonly calls: readonly string[];
  readonly seen: readonly (readonly [string, readonly Row[]])[];
  readonly effects: readonly (readonly [string, boolean, Effect])[];
}

/** What is known of the effect of a call: measured now, or as it was measured before the page was opened anew. */
export function knownEffect(call: ListedCall, { history, effects }: KeptPiece, nowMs: number): Effect {
  const before = effects.get(call.call);
  if (before?.settled === true) return before.effect;
  const now = effectOf(call, history, nowMs);
  if (before?.effect.is !== 'measured') return now;
  return now.is === 'measured' && now.of >= before.effect.of ? now : before.effect;
}

/** As text for the tab's storage. `go` is the instant by which the piece is known again. */
export function packed(go: number, kept: KeptPiece, listed: readonly ListedCall[], nowMs: number): string {
  const most = Math.max(1, Math.floor(SIGHTS_MAX / Math.max(1, kept.history.size)));
  const calls = [...new Set([...kept.history.values()].flatMap((seen) => seen.flatMap(({ call }) => call ?? [])))];
  const numbers = new Map(calls.map((call, nth) => [call, nth]));
  const row = (one: Seen): Row => [
    one.at_ms, one.elapsed_ms, one.done_dm, one.pace_per_500m_ms, one.plan_per_500m_ms, one.rate_half_spm,
    one.call === null ? null : (numbers.get(one.call) ?? null), one.margin,
  ];
  const text: Packed = {
    go,
    calls,
    seen: [...kept.history].map(([athlete, seen]) => [athlete, seen.slice(-most).map(row)]),
    effects: listed.map((call) => [call.call, isSettled(call, kept.effects, nowMs), knownEffect(call, kept, nowMs)]),
  };
  return JSON.stringify(text);
}

/** What was kept of the piece with this go; nothing when it was of another one, or cannot be read. */
export function unpacked(text: string | null, go: number): KeptPiece {
  const kept = restored<Packed>(text, ({ calls, seen, effects }) => [calls, seen, effects].every(Array.isArray));
  if (kept === null || kept.go !== go || !kept.seen.every(isPair) || !kept.effects.every(isEffect)) return NOTHING;
  const sight = ([at_ms, elapsed_ms, done_dm, pace, plan, rate, call, margin]: Row): Seen => ({
    at_ms, elapsed_ms, done_dm, pace_per_500m_ms: pace, plan_per_500m_ms: plan, rate_half_spm: rate, heart_bpm: null,
    call: call === null ? null : (kept.calls[call] ?? null), margin,
  });
  return {
    history: new Map(kept.seen.map(([athlete, rows]) => [athlete, rows.map(sight)])),
    effects: new Map(kept.effects.map(([call, settled, effect]) => [call, { settled, effect }])),
  };
}

/** Whether nothing that is still to come can change what was measured. */
function isSettled(call: ListedCall, effects: KeptEffects, nowMs: number): boolean {
  if (effects.get(call.call)?.settled === true) return true;
  const ended = call.over?.at_ms ?? Infinity;
  // One of the sheet reaches the last ones late.
  const measuredUntil = call.sheet === null ? Math.min(ended, call.sent_at_ms + AFTER_MS) : ended;
  return nowMs >= measuredUntil + SETTLED_MS;
}

function isPair(value: unknown): boolean {
  return Array.isArray(value) && typeof value[0] === 'string' && Array.isArray(value[1]) && value[1].every(isRow);
}

function isRow(value: unknown): boolean {
  return Array.isArray(value) && value.length === 8 && value.every((one, nth) => typeof one === 'number' || (nth > 2 && one === null));
}

function isEffect(value: unknown): boolean {
  return Array.isArray(value) && typeof value[0] === 'string' && typeof value[1] === 'boolean' && isFields(value[2]);
}
