// A first idea of a target: from what this athlete has rowed, otherwise from what many begin with. The athlete decides;
// nothing here is set by itself.
import { athleteAims as texts } from '#texts';
import type { Aim, PieceSpec, PieceView, Target } from '../../protocol/decode';
import { clockText, targetText } from '../../ui/format';
import { workOf, type Work } from './work';

/** What could be typed as the target, and why. */
export interface Suggestion {
  readonly target: Target;
  readonly says: string;
}

/** Best efforts over distances: T2 = T1 (D2 / D1)^1.06, Riegel (1981), American Scientist 69(3):285-290. */
const FATIGUE = 1.06;
/** Many who row for their health begin between these, milliseconds per 500 m (our choice, no source). */
const BEGINS_PER_500M_MS = [130_000, 160_000] as const;

/** What this piece would come to if it is like a result from before; null when nothing is known. */
export function suggested(piece: PieceView, aim: Aim | null, earlier: readonly PieceView[]): Suggestion | null {
  const last = aim?.history[0];
  if (last !== undefined) return { target: last.result, says: texts.lastTime(targetText(last.result)) };
  const rowed = earlier.flatMap(({ results, spec }) =>
    results.flatMap((result) => (result.outcome === 'finished' && result.time_ms > 0 && result.distance_dm > 0 ? [{ result, spec }] : [])),
  );
  const before = rowed.at(-1);
  if (before === undefined) return null;
  const target = alike(workOf(piece.spec), before.result.time_ms, before.result.distance_dm / 10);
  const pace = clockText(Math.round((before.result.time_ms * 500) / (before.result.distance_dm / 10) / 1_000));
  return { target, says: texts.alike(pace, targetText(target)) };
}

/** The range that many begin with, in the unit of this piece: `… 7:22 to 9:04 …`. */
export function beginners(spec: PieceSpec): string {
  const work = workOf(spec);
  const [fast, slow] = BEGINS_PER_500M_MS;
  const [quick, calm] = [clockText(fast / 1_000), clockText(slow / 1_000)];
  if (work.by === 'distance' && work.m === 500) return texts.beginners500(quick, calm);
  const [low, high] =
    work.by === 'distance'
      ? [clockText(Math.round((work.m / 500) * (fast / 1_000))), clockText(Math.round((work.m / 500) * (slow / 1_000)))]
      : [`${Math.round((work.ms / slow) * 500)}m`, `${Math.round((work.ms / fast) * 500)}m`];
  return texts.beginners(quick, calm, low, high);
}

/** What to type into the field of a target. */
export function example(spec: PieceSpec): string {
  const work = workOf(spec);
  const middle = (BEGINS_PER_500M_MS[0] + BEGINS_PER_500M_MS[1]) / 2;
  return work.by === 'distance' ? clockText(Math.round((work.m / 500) * (middle / 1_000))) : `${Math.round((work.ms / middle) * 500)}m`;
}

/** A result over another length as it would be over this one, to whole seconds or metres. */
function alike(work: Work, tookMs: number, metres: number): Target {
  if (work.by === 'distance') {
    return { want: 'finish', finish_ms: Math.round((tookMs * (work.m / metres) ** FATIGUE) / 1_000) * 1_000 };
  }
  return { want: 'distance', distance_dm: Math.round(metres * (work.ms / tookMs) ** (1 / FATIGUE)) * 10 };
}
