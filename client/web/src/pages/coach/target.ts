// A target as a mean pace over all the work, whichever way it was set.
import type { PieceSpec, Target } from '../../protocol/decode';

/** Milliseconds per 500 m; null when the target is of a different kind from the piece. */
export function targetPace(target: Target, { repeats }: PieceSpec): number | null {
  const dm = repeats.reduce((sum, { work }) => sum + (work.by === 'distance' ? work.distance_dm : 0), 0);
  const ms = repeats.reduce((sum, { work }) => sum + (work.by === 'time' ? work.time_ms : 0), 0);
  switch (target.want) {
    case 'pace':
      return target.per_500m_ms;
    case 'finish':
      return dm > 0 ? (target.finish_ms * 5_000) / dm : null;
    case 'distance':
      return ms > 0 && target.distance_dm > 0 ? (ms * 5_000) / target.distance_dm : null;
    default:
      return target satisfies never;
  }
}

/** A target with its mean pace, for a ladder of everybody; the quickest first, those without last. */
export function byPace<One>(all: readonly One[], of: (one: One) => Target | null, spec: PieceSpec): readonly One[] {
  const pace = (one: One) => {
    const target = of(one);
    return (target === null ? null : targetPace(target, spec)) ?? Infinity;
  };
  return [...all].sort((a, b) => (pace(a) === pace(b) ? 0 : pace(a) - pace(b)));
}
