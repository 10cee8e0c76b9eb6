// What the athlete reads, beside the words that all pages share: short, calm, and never urging.
import { athlete as texts } from '#texts';
import type { AthleteResult, Margin, Mark, Outcome } from '../../protocol/decode';
import { clockText, figure } from '../../ui/format';
import type { Way } from './course';

export function outcomeTitle(outcome: Outcome): string {
  return texts.outcome[outcome];
}

export function markText(mark: Mark): string {
  return texts.marks[mark];
}

/** How sure a finish is, when it matters at all; empty when it does not. */
export function sureText({ sure_ms, sure_dm }: AthleteResult): string {
  if (sure_ms !== null && sure_ms >= 50) return (sure_ms > SELDOM.ms ? texts.apartSeconds : texts.sureSeconds)(sure_ms / 1_000);
  if (sure_dm !== null && sure_dm >= 5) return (sure_dm > SELDOM.dm ? texts.apartMetres : texts.sureMetres)(Math.max(1, Math.round(sure_dm / 10)));
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
  return left.by === 'distance' ? figure(`${metres(leftOfRepeat.dm)} m`) : clockText(Math.ceil(leftOfRepeat.ms / 1_000));
}

/** A result against the own target, in words: `3.4 s ahead of your target`. */
export function againstTarget({ margin_ms, margin_dm }: Margin): string {
  const [amount, of, unit] = margin_dm === null ? [margin_ms ?? 0, 1_000, 's'] : [margin_dm, 10, 'm'];
  if (amount === 0) return texts.onTarget;
  const text = margin_dm === null ? (Math.abs(amount) / of).toFixed(1) : String(Math.round(Math.abs(amount) / of));
  return (amount > 0 ? texts.aheadBy : texts.behindBy)(figure(`${text} ${unit}`));
}
