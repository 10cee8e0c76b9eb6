// The one number of the page, its word, and the bar: projected finish against their own target.
import { athlete as texts } from '#texts';
import type { AgainstTarget, Margin, Own, PieceSpec, Projected } from '../../protocol/decode';
import { guessOf, type Guess } from '../../ui/chance';
import { reachOf } from '../../ui/field';
import { clockText, targetText } from '../../ui/format';
import { workOf } from './work';

/** What is shown of a margin. */
export interface ShownMargin {
  /** With its sign, whole: `+2`, `−14`; empty when it is about zero. */
  readonly number: string;
  readonly unit: 's' | 'm';
  readonly word: string;
  readonly side: 'ahead' | 'behind' | 'even';
  /** Half the 80 % interval, whole, at least 1; null when it is not known. */
  readonly give: number | null;
  /** In per cent of the target. */
  readonly guess: Guess;
  /** Half of what the bar shows, in per cent. */
  readonly reach: number;
  /** All of it for a screen reader. */
  readonly says: string;
}

/** The bar shows at least this much, so that it does not zoom in on what means nothing. */
const REACH_LEAST = 3;

/** Nobody feels less than this share of the target, in millionths, and no projection knows it: it counts as about zero … */
const ABOUT_PPM = 1_000;
/** … and what is about zero takes a side only beyond this. */
const SIDE_PPM = 1_500;
/** A number changes only for one that is this far off it, in its unit. */
const HOLDS = 0.75;

/**
 * The margin in whole seconds or metres, 0 when it is about zero, or when the server's word for it is that; kept calm:
 * `before` is what was last shown.
 */
export function calmed({ margin_ppm, margin_ms, margin_dm }: Margin, before: number | null, word: AgainstTarget | null = null): number {
  if (word === 'about') return 0;
  const amount = margin_dm === null ? (margin_ms ?? 0) / 1_000 : margin_dm / 10;
  const [far, share] = [Math.abs(amount), Math.abs(margin_ppm)];
  const whole = far < 0.5 || share < ABOUT_PPM ? 0 : Math.sign(amount) * Math.floor(far + 0.5);
  if (before === null || whole === 0) return whole;
  if (before === 0) return far < HOLDS || share < SIDE_PPM ? 0 : whole;
  return Math.abs(amount - before) < HOLDS ? before : whole;
}

export function shownMargin(margin: Margin, projected: Projected, signed = calmed(margin, null)): ShownMargin {
  const whole = Math.abs(signed);
  const side = signed === 0 ? 'even' : signed > 0 ? 'ahead' : 'behind';
  const unit = margin.margin_dm === null ? 's' : 'm';
  const guess = guessOf(margin, projected, 'share');
  const give = giveOf(projected);
  return {
    number: side === 'even' ? '' : `${side === 'ahead' ? '+' : '−'}${whole}`,
    unit,
    word: texts.sides[side],
    side,
    give,
    guess,
    reach: Math.max(REACH_LEAST, reachOf([{ guess }])),
    says: texts.margin(whole, unit, side, give),
  };
}

/** A margin carried on while the server is away: `heading` and `goal` in milliseconds, or in decimetres for a time piece. */
export function carriedMargin(before: Margin, heading: number, goal: number): Margin {
  const byTime = before.margin_dm !== null;
  const amount = Math.round(byTime ? heading - goal : goal - heading);
  return { margin_ppm: Math.round((amount / goal) * 1e6), margin_ms: byTime ? null : amount, margin_dm: byTime ? amount : null };
}

function giveOf({ low, high }: Projected): number | null {
  if (low.want === 'finish' && high.want === 'finish') return Math.max(1, Math.round((high.finish_ms - low.finish_ms) / 2_000));
  if (low.want === 'distance' && high.want === 'distance') return Math.max(1, Math.round((high.distance_dm - low.distance_dm) / 20));
  return null;
}

/** If it is known less well than to this share of the finish it is not shown: it would be taken for a result. */
const SURE = 0.05;

/** Where the finish is heading, for somebody without a target: `to 9:06`; empty when that is not known. */
export function headingText({ projected, repeat, done_dm, elapsed_ms }: Own, spec: PieceSpec): string {
  if (projected === null) return '';
  // Somebody who came late has not rowed what came before: the rest does not come to a finish of theirs.
  const before = workOf({ repeats: spec.repeats.slice(0, repeat) });
  if (done_dm < before.m * 10 - 10 || elapsed_ms < before.ms - 1_000) return '';
  const { finish, low, high } = projected;
  if (finish.want === 'finish' && low.want === 'finish' && high.want === 'finish') {
    return (high.finish_ms - low.finish_ms) / 2 > SURE * finish.finish_ms ? '' : texts.headingTo(clockText(Math.round(finish.finish_ms / 1_000)));
  }
  if (finish.want === 'distance' && low.want === 'distance' && high.want === 'distance') {
    const whole = { want: 'distance', distance_dm: Math.round(finish.distance_dm / 10) * 10 } as const;
    return (high.distance_dm - low.distance_dm) / 2 > SURE * finish.distance_dm ? '' : texts.headingTo(targetText(whole));
  }
  return '';
}

/** The bar of pace: how far the current pace is from what is enough, −1 to 1; plus is faster. */
export function paceSide(nowMs: number, enoughMs: number): number {
  /** A tenth faster or slower fills the bar: nobody stays beyond that. */
  const FULL = 0.1;
  return Math.max(-1, Math.min(1, (enoughMs - nowMs) / enoughMs / FULL));
}
