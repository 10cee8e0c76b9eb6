// An athlete's session as tests need it.
import type { AthleteResult, Own, Phase, PieceSpec, PieceView } from '../../protocol/decode';
import { welcome } from '../../session/faked';
import { NOTHING_YET, reduce, type Session } from '../../session/reduce';
import { readPiece } from '../../ui/parse';

export const ANA = '0a0a0a0a-0000-4000-8000-000000000001';
export const GO = 50_000;

export function spec(text: string, change: Partial<PieceSpec> = {}): PieceSpec {
  const read = readPiece(text);
  if (!read.ok) throw new Error(read.says);
  return { title: '', repeats: read.value, clock: 'common_go', repeat_start: 'common_signal', count_ms: 10_000, call_sheet: [], ...change };
}

export function own(change: Partial<Own> = {}): Own {
  return {
    piece: 0, doing: 'rowing', place: null, margin: null, against_target: null, projected: null, done_dm: 0, elapsed_ms: 0, repeat: 0,
    pace_per_500m_ms: null, enough_per_500m_ms: null, call_strokes_left: null, ...change,
  };
}

export function result(outcome: AthleteResult['outcome']): AthleteResult {
  return {
    athlete: ANA, outcome, place: null, target: null, time_ms: 391_000, distance_dm: 17_000, sure_ms: null, sure_dm: null,
    shown: null, estimate: null, margin: null, splits: [], strokes: null, marks: [],
  };
}

export function session(phase: Phase, change: { own?: Own | null; results?: AthleteResult[]; spec?: PieceSpec; pieces?: PieceView[]; current?: number } = {}): Session {
  const piece: PieceView = { piece: 0, spec: change.spec ?? spec('1700m'), phase, results: change.results ?? [] };
  const msg = welcome({ role: 'athlete', you: ANA, pieces: change.pieces ?? [piece], current: change.current ?? 0, own: change.own ?? null });
  const state = reduce(NOTHING_YET, { news: 'welcome', msg });
  if (state.session === null) throw new Error('no session');
  return state.session;
}

export const ROWING: Phase = { phase: 'rowing', go_at_ms: GO, repeat: 0, repeat_at_ms: GO };
