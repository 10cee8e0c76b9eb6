// What the athlete reads of what became of a piece: short, calm, and never urging.
import { athleteResult as texts } from '#texts';
import type { AthleteResult, Margin, Mark, Outcome } from '../../protocol/decode';
import { figure } from '../../ui/format';

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

/** A result against the own target, in words: `3.4 s ahead of your target`. */
export function againstTarget({ margin_ms, margin_dm }: Margin): string {
  const [amount, of, unit] = margin_dm === null ? [margin_ms ?? 0, 1_000, 's'] : [margin_dm, 10, 'm'];
  if (amount === 0) return texts.onTarget;
  const text = margin_dm === null ? (Math.abs(amount) / of).toFixed(1) : String(Math.round(Math.abs(amount) / of));
  return (amount > 0 ? texts.aheadBy : texts.behindBy)(figure(`${text} ${unit}`));
}
