// The bar of the target line: how opaque it is where. Opacity at x is the chance of finishing at least that far ahead,
// or behind; so it is faint near the line as long as it is not settled which side it will be.
import type { Margin, Projected, Ranking } from '../protocol/decode';

/** Half an 80 % interval in standard deviations: the 90th percentile of the normal distribution. */
const HALF_80 = 1.281_551_6;
const STOPS = 14;

/** A margin as it is drawn: best guess and standard deviation, in one unit. */
export interface Guess {
  readonly mean: number;
  readonly sd: number;
}

/** One stop of a bar: where, as a share of its length from the line outwards, and how opaque. */
export interface Stop {
  readonly at: number;
  readonly opacity: number;
}

/** The margin of a projection, in what the session ranks by: per cent, or seconds, or metres. */
export function guessOf(margin: Margin, projected: Projected, ranking: Ranking): Guess {
  const { finish, low, high } = projected;
  if (margin.margin_ms !== null && finish.want === 'finish' && low.want === 'finish' && high.want === 'finish') {
    const [ms, sdMs] = [margin.margin_ms, (high.finish_ms - low.finish_ms) / 2 / HALF_80];
    if (ranking === 'amount') return { mean: ms / 1_000, sd: sdMs / 1_000 };
    return { mean: margin.margin_ppm / 10_000, sd: share(sdMs, finish.finish_ms + ms) };
  }
  if (margin.margin_dm !== null && finish.want === 'distance' && low.want === 'distance' && high.want === 'distance') {
    const [dm, sdDm] = [margin.margin_dm, (high.distance_dm - low.distance_dm) / 2 / HALF_80];
    if (ranking === 'amount') return { mean: dm / 10, sd: sdDm / 10 };
    return { mean: margin.margin_ppm / 10_000, sd: share(sdDm, finish.distance_dm - dm) };
  }
  return { mean: margin.margin_ppm / 10_000, sd: 0 };
}

/** The stops of the bar on one side, which is `reach` long. */
export function stops({ mean, sd }: Guess, side: 'ahead' | 'behind', reach: number): Stop[] {
  const towards = side === 'ahead' ? mean : -mean;
  // What is certain ends at once: two stops at the same place.
  if (sd <= 0) {
    const end = Math.min(1, Math.max(0, towards / reach));
    return [0, end].map((at) => ({ at, opacity: end > 0 ? 1 : 0 })).concat({ at: end, opacity: 0 });
  }
  return Array.from({ length: STOPS }, (_, nth) => {
    const at = nth / (STOPS - 1);
    return { at, opacity: 1 - phi((at * reach - towards) / sd) };
  });
}

/** The normal distribution, by Abramowitz and Stegun 7.1.26: right to within 1.5e-7. */
export function phi(z: number): number {
  const x = Math.abs(z) / Math.SQRT2;
  const t = 1 / (1 + 0.327_591_1 * x);
  const poly = ((((1.061_405_429 * t - 1.453_152_027) * t + 1.421_413_741) * t - 0.284_496_736) * t + 0.254_829_592) * t;
  const tail = (poly * Math.exp(-x * x)) / 2;
  return z < 0 ? tail : 1 - tail;
}

/** Per cent of the target. */
function share(amount: number, target: number): number {
  return target > 0 ? (amount / target) * 100 : 0;
}
