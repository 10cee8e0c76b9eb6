// How far the athlete is, by the page's own numbers: where the server last placed them, plus what their machine has
// counted since. So the page goes on while the server is away.
import { LIMITS } from '../../../generated/known';
import type { Own, Phase, PieceSpec, Target } from '../../protocol/decode';
import { goAt } from '../../session/reduce';
import { workOf } from './work';

/** A known place on the way, on this device's own clock. */
export interface Anchor {
  readonly ms: number;
  readonly done_dm: number;
  readonly elapsed_ms: number;
  readonly repeat: number;
}

/** How far the athlete has come. */
export interface Way {
  readonly done_dm: number;
  readonly elapsed_ms: number;
  /** Metres or milliseconds of all the work. */
  readonly left: { readonly by: 'distance' | 'time'; readonly dm: number; readonly ms: number };
  /** The same for the repeat being rowed. */
  readonly leftOfRepeat: { readonly dm: number; readonly ms: number };
  /** All of the repeat (and after the last one, of the piece) is done. */
  readonly repeatDone: boolean;
}

/** Instants of the session on this device's own clock. */
export type OnDevice = (sessionMs: number) => number;

/** Where the server's word places the athlete. It dates from a report on its way; for a single stretch the instant is known. */
export function anchored(own: Own, phase: Phase, spec: PieceSpec, heardMs: number, onDevice: OnDevice): Anchor {
  const go = goAt(phase);
  const known = spec.repeats.length === 1 && spec.clock === 'common_go' && go !== null && own.elapsed_ms > 0;
  const ms = known ? Math.min(heardMs, onDevice(go + own.elapsed_ms)) : heardMs;
  return { ms, done_dm: own.done_dm, elapsed_ms: own.elapsed_ms, repeat: own.repeat };
}

/** At the go everything is zero. */
export function atGo(goMs: number): Anchor {
  return { ms: goMs, done_dm: 0, elapsed_ms: 0, repeat: 0 };
}

/** How far the athlete has come by now; `dmSince` is what the machine has counted since the anchor. */
export function way(anchor: Anchor, spec: PieceSpec, dmSince: number, sinceMs: number): Way {
  const work = workOf(spec);
  const through = workOf({ repeats: spec.repeats.slice(0, anchor.repeat + 1) });
  const [limitDm, limitMs] = work.by === 'distance' ? [Math.round(through.m * 10), Infinity] : [Infinity, through.ms];
  const done_dm = Math.min(limitDm, anchor.done_dm + Math.max(0, dmSince));
  const elapsed_ms = Math.min(limitMs, anchor.elapsed_ms + Math.max(0, sinceMs));
  const left = { by: work.by, dm: Math.max(0, Math.round(work.m * 10) - done_dm), ms: Math.max(0, work.ms - elapsed_ms) };
  const leftOfRepeat = {
    dm: work.by === 'distance' ? Math.max(0, limitDm - done_dm) : 0,
    ms: work.by === 'time' ? Math.max(0, limitMs - elapsed_ms) : 0,
  };
  const repeatDone = work.by === 'distance' ? leftOfRepeat.dm === 0 : leftOfRepeat.ms === 0;
  return { done_dm, elapsed_ms, left, leftOfRepeat, repeatDone };
}

/** The next repeat, which begins at `startMs` of this device's clock without anybody's signal. */
export function nextRepeat(anchor: Anchor, done: Way, startMs: number): Anchor {
  return { ms: startMs, done_dm: done.done_dm, elapsed_ms: done.elapsed_ms, repeat: anchor.repeat + 1 };
}

/** The whole of the target: milliseconds for a piece by distance, decimetres for one by time. */
export function goal(target: Target | null, spec: PieceSpec): number | null {
  const work = workOf(spec);
  switch (target?.want) {
    case undefined:
      return null;
    case 'finish':
      return work.by === 'distance' ? target.finish_ms : null;
    case 'distance':
      return work.by === 'time' ? target.distance_dm : null;
    case 'pace':
      return work.by === 'distance' ? (work.m / 500) * target.per_500m_ms : (work.ms / target.per_500m_ms) * 5_000;
    default:
      return target satisfies never;
  }
}

/** The mean pace of a target, milliseconds per 500 m. */
export function paceOf(target: Target | null, spec: PieceSpec): number | null {
  if (target?.want === 'pace') return target.per_500m_ms;
  const all = goal(target, spec);
  if (all === null || all <= 0) return null;
  const work = workOf(spec);
  return Math.round(work.by === 'distance' ? (all * 500) / work.m : (work.ms * 5_000) / all);
}

/** Faster than anybody is known to have rowed, m/s; this applies below 500 m too, for some of the piece is rowed already. */
const FASTEST = { over_2000m: LIMITS.speed_over_2000m_max_dm_a_second / 10, else: LIMITS.speed_over_500m_max_dm_a_second / 10 } as const;

/** The pace that is enough from here on; null without a target, when it is reached or missed, and when nobody can row that fast. */
export function enough(target: Target | null, spec: PieceSpec, { left, done_dm, elapsed_ms }: Way): number | null {
  const all = goal(target, spec);
  if (all === null) return null;
  const [ms, dm] = left.by === 'distance' ? [all - elapsed_ms, left.dm] : [left.ms, all - done_dm];
  if (ms <= 0 || dm <= 0) return null;
  const per500m = (ms * 5_000) / dm;
  return isRowable(per500m, dm) ? Math.round(per500m) : null;
}

function isRowable(per500mMs: number, dm: number): boolean {
  return 500_000 / per500mMs <= (dm >= 20_000 ? FASTEST.over_2000m : FASTEST.else);
}

/** A goal that can still be reached, and the pace that is enough for it. */
export interface OpenGoal {
  /** Null: the target itself. */
  readonly goal: Target | null;
  readonly per_500m_ms: number;
}

/**
 * The target as long as anybody can row what it takes (as the server reckons, if it does), otherwise the best of what
 * this athlete has rowed before that is still within reach; null when nothing is.
 */
export function openGoal(target: Target | null, past: readonly Target[], spec: PieceSpec, now: Way, reckoned = enough(target, spec, now)): OpenGoal | null {
  const all = goal(target, spec);
  if (all === null) return null;
  const byDistance = now.left.by === 'distance';
  const dm = byDistance ? now.left.dm : all - now.done_dm;
  if (reckoned !== null && isRowable(reckoned, dm)) return { goal: null, per_500m_ms: reckoned };
  // A distance that has been reached leaves nothing to aim for.
  if (!byDistance && dm <= 0) return null;
  const harder = (one: Target) => (goal(one, spec) ?? 0) * (byDistance ? 1 : -1);
  for (const one of [...past].sort((a, b) => harder(a) - harder(b))) {
    const pace = enough(one, spec, now);
    if (pace !== null && harder(one) > all * (byDistance ? 1 : -1)) return { goal: one, per_500m_ms: pace };
  }
  return null;
}

/**
 * The finish as it is heading while nobody computes it: the rest goes as the server last thought it would. Milliseconds
 * or decimetres; null when that cannot be said.
 */
export function carried(finish: Target, anchor: Anchor, now: Way, spec: PieceSpec): number | null {
  const work = workOf(spec);
  if (finish.want === 'finish') {
    const leftThen = work.m * 10 - anchor.done_dm;
    const perDm = (finish.finish_ms - anchor.elapsed_ms) / leftThen;
    return leftThen > 0 && perDm > 0 ? now.elapsed_ms + perDm * now.left.dm : null;
  }
  if (finish.want === 'distance') {
    const leftThen = work.ms - anchor.elapsed_ms;
    const perMs = (finish.distance_dm - anchor.done_dm) / leftThen;
    return leftThen > 0 && perMs >= 0 ? now.done_dm + perMs * now.left.ms : null;
  }
  return null;
}
