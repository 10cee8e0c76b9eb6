// Which of its faces the page shows: one at a time, from what is known.
import type { AthleteResult, Own, Phase, PieceSpec, PieceView } from '../../protocol/decode';
import type { Connected, Session } from '../../session/reduce';
import { currentPiece } from '../../session/reduce';
import { SEAT_TAKEN } from './ended';
import { resultOf } from './results';

export type Screen =
  /** No place yet, or one that opens nothing. */
  | { readonly is: 'entrance'; readonly says: string }
  | { readonly is: 'connecting' }
  /** Reloaded while the server is away. */
  | { readonly is: 'away' }
  | { readonly is: 'ended'; readonly says: string; readonly code: number | null }
  | { readonly is: 'prepare' }
  | { readonly is: 'counting'; readonly ms: number }
  | { readonly is: 'rowing' }
  | { readonly is: 'rest'; readonly next: number; readonly of: number; /** Null: on a signal that has no time yet. */ readonly ms: number | null }
  | { readonly is: 'stopped' }
  /** Done, the result is on its way. */
  | { readonly is: 'home' }
  | { readonly is: 'result'; readonly result: AthleteResult }
  /** The coach has stopped the piece, or it ended without this athlete. */
  | { readonly is: 'over' };

/** What is known beyond the session. */
export interface Known {
  /** There is a secret, or one is being asked for. */
  readonly entered: boolean;
  readonly connected: Connected;
  readonly session: Session | null;
  readonly nowMs: number | null;
  /** What the athlete pressed last in this piece; null when the server's word counts. */
  readonly saidStopped: boolean | null;
  /** The handle has moved lately. */
  readonly moves: boolean;
  /** By the page's own numbers the repeat being rowed is done. */
  readonly repeatDone: boolean;
  /** Which repeat is being rowed or comes next by the page's own numbers, counted from 0. */
  readonly repeat: number;
  /** When the last repeat was done, on the session's clock, as heard here; null when it was not. */
  readonly doneAtMs: number | null;
  /** Came into a piece that is under way, and has not yet done what comes before rowing. */
  readonly late: boolean;
}

export function screen(known: Known): Screen {
  const { connected, session, nowMs } = known;
  if (connected.is === 'ended' && (connected.code === null || (session === null && connected.code !== SEAT_TAKEN))) {
    return { is: 'entrance', says: connected.says };
  }
  if (!known.entered) return { is: 'entrance', says: '' };
  if (connected.is === 'ended') return { is: 'ended', says: connected.says, code: connected.code };
  if (session === null || nowMs === null) return { is: connected.is === 'lost' ? 'away' : 'connecting' };
  const piece = currentPiece(session);
  if (piece === null) return { is: 'prepare' };
  return inPiece(known, session, piece, nowMs);
}

function inPiece(known: Known, session: Session, piece: PieceView, nowMs: number): Screen {
  const { phase, spec } = piece;
  const own = session.own?.piece === piece.piece ? session.own : null;
  const result = resultOf(session, piece);
  switch (phase.phase) {
    case 'gathering':
    case 'armed':
      return { is: 'prepare' };
    case 'counting':
      if (known.late) return { is: 'prepare' };
      if (nowMs < phase.go_at_ms) return { is: 'counting', ms: phase.go_at_ms - nowMs };
      return rowing(known, own, spec, phase, nowMs);
    case 'rowing':
    case 'resting':
    case 'closing':
      if (result?.outcome === 'finished') return { is: 'result', result };
      if (known.late) return { is: 'prepare' };
      return rowing(known, own, spec, phase, nowMs);
    case 'finished':
    case 'stopped':
      return result === null || result.outcome === 'did_not_start' ? { is: 'over' } : { is: 'result', result };
    default:
      return phase satisfies never;
  }
}

function rowing(known: Known, own: Own | null, spec: PieceSpec, phase: Phase, nowMs: number): Screen {
  if (known.saidStopped === true) return { is: 'stopped' };
  if (own?.doing === 'finished') return { is: 'home' };
  if (own?.doing === 'stopped' && known.saidStopped === null && !known.moves) return { is: 'stopped' };
  const repeats = spec.repeats.length;
  const next = Math.max(own?.repeat ?? 0, known.repeat);
  if (phase.phase === 'resting') {
    return nowMs < phase.next_at_ms ? { is: 'rest', next: phase.next_repeat, of: repeats, ms: phase.next_at_ms - nowMs } : { is: 'rowing' };
  }
  if (known.repeatDone && next + 1 >= repeats) return { is: 'home' };
  if (beginsByClock(spec)) return restByClock(known, spec, next, nowMs) ?? { is: 'rowing' };
  // Once somebody is home the last repeat has long begun for everybody.
  const signalled = phase.phase === 'rowing' ? phase.repeat : phase.phase === 'closing' ? repeats - 1 : 0;
  const coming = known.repeatDone ? next + 1 : next;
  return coming > signalled && coming < repeats ? { is: 'rest', next: coming, of: repeats, ms: null } : { is: 'rowing' };
}

/** Whether later repeats need no signal: each rests alone, or all by the clock. */
export function beginsByClock({ repeats, repeat_start }: PieceSpec): boolean {
  return repeat_start === 'own_rest' || repeats[0]?.work.by === 'time';
}

function restByClock({ doneAtMs, repeatDone }: Known, spec: PieceSpec, next: number, nowMs: number): Screen | null {
  const done = repeatDone ? next : next - 1;
  if (doneAtMs === null || done < 0) return null;
  const endsMs = doneAtMs + (spec.repeats[done]?.rest_ms ?? 0);
  return nowMs < endsMs ? { is: 'rest', next: done + 1, of: spec.repeats.length, ms: endsMs - nowMs } : null;
}
