// The piece as a stretch from 0 to 1: where its work begins and ends, and where the field was at an instant.
import type { PieceSpec } from '../../protocol/decode';
import type { History } from './history';

/** One stretch of work, as shares of all the work. */
export interface Stretch {
  readonly from: number;
  readonly to: number;
}

export function stretches({ repeats }: PieceSpec): readonly Stretch[] {
  const lengths = repeats.map(({ work }) => (work.by === 'distance' ? work.distance_dm : work.time_ms));
  const whole = lengths.reduce((sum, length) => sum + length, 0);
  let done = 0;
  return lengths.map((length) => {
    const from = whole > 0 ? done / whole : 0;
    done += length;
    return { from, to: whole > 0 ? done / whole : 1 };
  });
}

/** How much of the work the middle of the field had done at an instant, as this page saw it; null when it did not. */
export function shareSeen(history: History, { repeats }: PieceSpec, atMs: number): number | null {
  const byDistance = repeats[0]?.work.by === 'distance';
  const whole = repeats.reduce((sum, { work }) => sum + (work.by === 'distance' ? work.distance_dm : work.time_ms), 0);
  const shares = [...history.values()].flatMap((seen) => {
    const then = seen.findLast(({ at_ms }) => at_ms <= atMs);
    return then === undefined ? [] : [(byDistance ? then.done_dm : then.elapsed_ms) / whole];
  });
  return shares.sort((a, b) => a - b)[shares.length >> 1] ?? null;
}
