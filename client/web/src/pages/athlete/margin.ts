// The one number of the page, its word, and the bar: projected finish against the own target.
import { athlete as texts } from '#texts';
import type { Margin, Projected } from '../../protocol/decode';
import { guessOf, type Guess } from '../../ui/chance';
import { reachOf } from '../../ui/field';

/** What is shown of a margin. */
export interface ShownMargin {
  /** With its sign, whole: `+2`, `−14`, `0`. */
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

/** The bar shows at least so much, so that it does not zoom in on what means nothing. */
const REACH_LEAST = 3;

export function shownMargin(margin: Margin, projected: Projected): ShownMargin {
  const { margin_dm } = margin;
  const byTime = margin_dm !== null;
  const [amount, of] = margin_dm === null ? [margin.margin_ms ?? 0, 1_000] : [margin_dm, 10];
  const whole = Math.floor((Math.abs(amount) + of / 2) / of);
  const side = whole === 0 ? 'even' : amount > 0 ? 'ahead' : 'behind';
  const unit = byTime ? 'm' : 's';
  const guess = guessOf(margin, projected, 'share');
  const give = giveOf(projected);
  return {
    number: side === 'even' ? '0' : `${side === 'ahead' ? '+' : '−'}${whole}`,
    unit,
    word: texts.sides[side],
    side,
    give,
    guess,
    reach: Math.max(REACH_LEAST, reachOf([{ guess }])),
    says: texts.margin(whole, unit, side, give),
  };
}

/** A margin carried on while the server is away: `heading` and `goal` in milliseconds, or in decimetres of a time piece. */
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

/** The bar of pace: how far the pace now lies from what is enough, −1 to 1; plus is faster. */
export function paceSide(nowMs: number, enoughMs: number): number {
  /** A tenth faster or slower fills the bar: beyond that nobody stays. */
  const FULL = 0.1;
  return Math.max(-1, Math.min(1, (enoughMs - nowMs) / enoughMs / FULL));
}
