// All the work of a piece as one sum.
import type { PieceSpec } from '../../protocol/decode';

/** All the work of a piece: metres or milliseconds. */
export interface Work {
  readonly by: 'distance' | 'time';
  readonly m: number;
  readonly ms: number;
}

export function workOf({ repeats }: Pick<PieceSpec, 'repeats'>): Work {
  let [m, ms] = [0, 0];
  for (const { work } of repeats) {
    if (work.by === 'distance') m += work.distance_dm / 10;
    else ms += work.time_ms;
  }
  return { by: m > 0 ? 'distance' : 'time', m, ms };
}
