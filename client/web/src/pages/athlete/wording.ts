// What the athlete reads, beside the words that all pages share: short, calm, and never urging.
import type { AthleteResult, Margin, Mark, Outcome } from '../../protocol/decode';
import { clockText } from '../../ui/format';
import type { Way } from './course';

export function outcomeTitle(outcome: Outcome): string {
  switch (outcome) {
    case 'finished':
      return 'Finished.';
    case 'stopped':
      return 'You stopped, and what you rowed is kept.';
    case 'unfinished':
      return 'The piece ended while you rowed, and what you rowed is kept.';
    case 'unheard':
      return 'Your machine was not heard to the end. What you rowed since counts as soon as it arrives.';
    case 'did_not_start':
      return 'You did not row this piece.';
    default:
      return outcome satisfies never;
  }
}

export function markText(mark: Mark): string {
  switch (mark) {
    case 'implausible':
      return 'This is faster than anybody is known to have rowed: your coach will have a look at it.';
    case 'joined':
      return 'The machine was reset on the way; its parts were joined.';
    case 'gaps':
      return 'Some strokes are missing in between. The totals are right.';
    case 'no_baseline':
      return 'It is not known where the machine stood at the start, so some of the first metres may be missing.';
    case 'heard_late':
      return 'The machine was first heard late; its own clock shows that all of it counts.';
    case 'clocks_apart':
      return 'Your machine’s clock and the session’s ran apart on the way: the time may be wrong by that.';
    case 'damaged':
      return 'The server’s record of this piece was damaged. Strokes that this device still has are sent again by themselves.';
    case 'late_start':
      return 'Your first stroke came well after the go.';
    default:
      return mark satisfies never;
  }
}

/** How sure a finish is, when it matters at all; empty when it does not. */
export function sureText({ sure_ms, sure_dm }: AthleteResult): string {
  const why = (long: boolean) => (long ? 'so far apart are the reports that the ends lie between.' : 'that is how often your machine reports.');
  if (sure_ms !== null && sure_ms >= 50) return `Right within ${(sure_ms / 1_000).toFixed(1)} s: ${why(sure_ms > SELDOM.ms)}`;
  if (sure_dm !== null && sure_dm >= 5) return `Right within ${Math.max(1, Math.round(sure_dm / 10))} m: ${why(sure_dm > SELDOM.dm)}`;
  return '';
}

/** No machine that is heard reports less often than the slowest stroke takes; in decimetres at a fast pace. */
const SELDOM = { ms: 6_000, dm: 350 };

/** Whole metres, the one that is begun included. */
export function metres(dm: number): string {
  return String(Math.ceil(dm / 10));
}

/** What is left of the repeat, in whole metres or on the clock. */
export function leftText({ left, leftOfRepeat }: Way): string {
  return left.by === 'distance' ? `${metres(leftOfRepeat.dm)} m` : clockText(Math.ceil(leftOfRepeat.ms / 1_000));
}

/** A result against the own target, in words: `3.4 s ahead of your target`. */
export function againstTarget({ margin_ms, margin_dm }: Margin): string {
  const [amount, of, unit] = margin_dm === null ? [margin_ms ?? 0, 1_000, 's'] : [margin_dm, 10, 'm'];
  if (amount === 0) return 'On your target, to the point.';
  const text = margin_dm === null ? (Math.abs(amount) / of).toFixed(1) : String(Math.round(Math.abs(amount) / of));
  return `${text} ${unit} ${amount > 0 ? 'ahead of' : 'behind'} your target`;
}
