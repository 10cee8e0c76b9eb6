// What this page has seen of each athlete in the piece: where they stood a minute ago, and the curve of one of them.
// Newest last.
import type { Detail, Ranking, Standings } from '../../protocol/decode';
import { guessOf } from '../../ui/chance';

/** One athlete at one instant. */
export interface Seen {
  readonly at_ms: number;
  /** Work done and work time, rests cut out. */
  readonly elapsed_ms: number;
  readonly done_dm: number;
  readonly pace_per_500m_ms: number | null;
  /** Pace that their own plan asks for here. */
  readonly plan_per_500m_ms: number | null;
  readonly rate_half_spm: number | null;
  readonly heart_bpm: number | null;
  /** The call that stands for this athlete. */
  readonly call: string | null;
  /** Best guess of the margin, in what the session ranks by. */
  readonly margin: number | null;
}

export type History = ReadonlyMap<string, readonly Seen[]>;

/** The latest about the whole field. */
export interface Sight {
  readonly standings: Standings;
  readonly details: readonly Detail[];
}

/** Points kept for one athlete; beyond that the older half is thinned out. */
const POINTS_MAX = 1_200;
/** "A minute ago" may be this much off. */
const SLACK_MS = 10_000;

/** Takes in what is newest; the same again changes nothing. */
export function remembered(history: History, { standings, details }: Sight, ranking: Ranking): History {
  const more = new Map(details.map((detail) => [detail.athlete, detail]));
  const next = new Map(history);
  for (const line of standings.lines) {
    const before = history.get(line.athlete) ?? [];
    const last = before.at(-1);
    if (last !== undefined && standings.at_ms <= last.at_ms) continue;
    // Lines stand for a while; how far somebody is by now is in the details.
    const detail = more.get(line.athlete);
    const { margin, projected } = line;
    const seen: Seen = {
      at_ms: standings.at_ms,
      elapsed_ms: detail?.elapsed_ms ?? line.elapsed_ms,
      done_dm: detail?.done_dm ?? line.done_dm,
      pace_per_500m_ms: detail?.pace_per_500m_ms ?? null,
      plan_per_500m_ms: detail?.plan_per_500m_ms ?? null,
      rate_half_spm: detail?.rate_half_spm ?? null,
      heart_bpm: detail?.heart_bpm ?? null,
      call: detail?.call ?? null,
      margin: margin === null || projected === null ? null : guessOf(margin, projected, ranking).mean,
    };
    next.set(line.athlete, thinned([...before, seen]));
  }
  return next;
}

/** The margin this long ago; null when this page had not seen one then. */
export function marginAgo(history: History, athlete: string, nowMs: number, agoMs: number): number | null {
  const then = nowMs - agoMs;
  const seen = history.get(athlete)?.findLast(({ at_ms, margin }) => at_ms <= then && margin !== null);
  return seen === undefined || then - seen.at_ms > SLACK_MS ? null : seen.margin;
}

/** Distance of one stroke in metres; null while either is unknown. */
export function metresPerStroke({ pace_per_500m_ms, rate_half_spm }: Pick<Seen, 'pace_per_500m_ms' | 'rate_half_spm'>): number | null {
  if (pace_per_500m_ms === null || pace_per_500m_ms === 0 || rate_half_spm === null || rate_half_spm === 0) return null;
  return (500_000 / pace_per_500m_ms) * (120 / rate_half_spm);
}

function thinned(points: readonly Seen[]): readonly Seen[] {
  if (points.length <= POINTS_MAX) return points;
  const half = points.length >> 1;
  return points.filter((_, nth) => nth >= half || nth % 2 === 0);
}
