// How the page shows what changed after a call: as it was measured, with its interval, and no verdict.
import type { Guess } from '../../ui/chance';
import type { CallEffect } from '../../protocol/decode';

/** A change as best guess and half its 80 % interval. */
export interface Change {
  readonly best: number;
  readonly half: number;
}

/** The 90th percentile of the normal distribution: half an 80 % interval in standard deviations. */
const NORMAL = 1.281_551_6;

/** Speed in per cent; null when nothing could be measured. */
export function speedOf({ speed }: CallEffect): Change | null {
  return speed === null ? null : { best: speed.best_ppm / 10_000, half: speed.half_ppm / 10_000 };
}

/** Metres a stroke in per cent; null where fewer than two machines report their rate. */
export function strokeOf({ stroke }: CallEffect): Change | null {
  return stroke === null ? null : { best: stroke.best_ppm / 10_000, half: stroke.half_ppm / 10_000 };
}

/** Strokes a minute; null where fewer than two machines report their rate. */
export function rateOf({ rate }: CallEffect): Change | null {
  return rate === null ? null : { best: rate.best_milli_spm / 1_000, half: rate.half_milli_spm / 1_000 };
}

/** As the target line draws it: the line means no change. */
export function guessOfChange({ best, half }: Change): Guess {
  return { mean: best, sd: half / NORMAL };
}

/** `−1.8 ± 0.6`; with a decimal point and a typographic minus. */
export function changeText({ best, half }: Change): string {
  const rounded = best.toFixed(1).replace('-', '');
  const sign = rounded === '0.0' ? '' : best < 0 ? '−' : '+';
  return `${sign}${rounded} ± ${half.toFixed(1)}`;
}
