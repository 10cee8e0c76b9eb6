// How fast somebody rows, from what the machine counted and when it was heard.
//
// The machine's own pace comes in whole seconds, which is 4 s on seventeen hundred metres; distance and arrival over
// some strokes give it more finely. Only for the athlete's own display: what counts is computed by the server.

/** A distance of the machine and when it was heard. */
export interface Mark {
  readonly heard_ms: number;
  readonly distance_dm: number;
}

/** Long enough for whole metres to give a pace within 1 %, short enough to feel a change: four to six strokes. */
const OVER_MS = 12_000;
/** Over less than this, a whole metre is worth more than the difference between two people. */
const AT_LEAST_MS = 4_000;
/** Slower than 25 minutes per 500 m is not rowing. */
const SLOWEST_PER_500M_MS = 1_500_000;

/** Takes in a mark and drops what is too old; a counter that falls (a reset) starts afresh. */
export function marked(marks: readonly Mark[], { heard_ms, distance_dm }: Mark): readonly Mark[] {
  const last = marks.at(-1);
  if (last !== undefined && distance_dm < last.distance_dm) return [{ heard_ms, distance_dm }];
  // One mark at or before the beginning of the stretch is kept: it is the other end of it.
  const from = marks.findLastIndex((mark) => mark.heard_ms <= heard_ms - OVER_MS);
  return [...marks.slice(Math.max(0, from)), { heard_ms, distance_dm }];
}

/** Milliseconds per 500 m over the stretch just rowed, by the straight line that fits it best; null while nobody rows. */
export function pace(marks: readonly Mark[]): number | null {
  const first = marks[0];
  const last = marks.at(-1);
  if (first === undefined || last === undefined || last.heard_ms - first.heard_ms < AT_LEAST_MS) return null;
  const mean = (of: (mark: Mark) => number) => marks.reduce((sum, mark) => sum + of(mark), 0) / marks.length;
  const at = mean((mark) => mark.heard_ms - first.heard_ms);
  const there = mean((mark) => mark.distance_dm - first.distance_dm);
  let together = 0;
  let spread = 0;
  for (const mark of marks) {
    const away = mark.heard_ms - first.heard_ms - at;
    together += away * (mark.distance_dm - first.distance_dm - there);
    spread += away * away;
  }
  const per500m = (5_000 * spread) / together;
  return together > 0 && per500m <= SLOWEST_PER_500M_MS ? Math.round(per500m) : null;
}
