// Results of one piece over time as dots: what is better stands higher, whether it counts time or metres.
import type { Listed } from '../../protocol/club';

export interface Dot {
  readonly result: Listed;
  /** From 0 (first day) to 1 (last day). */
  readonly across: number;
  /** From 0 (worst) to 1 (best). */
  readonly up: number;
}

/** The pieces that somebody has rowed to their end, most often rowed first; of as many the one rowed last. */
export function worksOf(results: readonly Listed[]): readonly string[] {
  const count = new Map<string, number>();
  for (const { work } of finished(results)) count.set(work, (count.get(work) ?? 0) + 1);
  // A map keeps the order in which keys came, and results come newest first.
  return [...count.entries()].sort(([, a], [, b]) => b - a).map(([work]) => work);
}

/** Oldest first. */
export function dotsOf(results: readonly Listed[], work: string): readonly Dot[] {
  const own = finished(results).filter((result) => result.work === work).reverse();
  const days = own.map(({ day }) => Date.parse(`${day}T00:00:00Z`));
  const worths = own.map(worth);
  return own.map((result, nth) => ({ result, across: share(days[nth] ?? 0, days), up: share(worths[nth] ?? 0, worths) }));
}

/** The best of one piece; of equals the first, for that is when it was set. Null when none was finished. */
export function bestOf(results: readonly Listed[], work: string): Listed | null {
  const own = finished(results).filter((result) => result.work === work).reverse();
  return own.reduce<Listed | null>((best, result) => (best === null || worth(result) > worth(best) ? result : best), null);
}

function finished(results: readonly Listed[]): Listed[] {
  return results.filter(({ outcome, shown }) => outcome === 'finished' && shown !== null);
}

/** More is better. */
function worth({ shown }: Listed): number {
  if (shown?.want === 'finish') return -shown.finish_ms;
  return shown?.want === 'distance' ? shown.distance_dm : 0;
}

function share(value: number, all: readonly number[]): number {
  const [least, most] = [Math.min(...all), Math.max(...all)];
  return most === least ? 0.5 : (value - least) / (most - least);
}
