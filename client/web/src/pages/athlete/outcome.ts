// What the athlete reads of what became of a piece: short, calm, and never urging.
import { athleteResult as texts } from '#texts';
import type { AthleteResult, Margin, Mark, PieceSpec, PieceView, Target } from '../../protocol/decode';
import { isUnderWay, type Session } from '../../session/reduce';
import { clockText, figure, timeText } from '../../ui/format';
import { pieceTitle } from '../../ui/words';
import { workOf } from './work';

/** What became of it, in one sentence that is true by itself; that what was rowed is kept is a second one. */
export function became(result: AthleteResult, { spec, phase }: Pick<PieceView, 'spec' | 'phase'>): string {
  switch (result.outcome) {
    case 'finished':
      return finished(result);
    case 'stopped':
      return texts.stoppedAfter(rowed(result, spec));
    case 'unfinished':
      // What is missing was over before they came, and nobody closed it.
      if (result.marks.includes('repeats_missed')) return texts.rowed(rowed(result, spec), null);
      return phase.phase === 'stopped' ? texts.stoppedByCoach(rowed(result, spec)) : texts.closedBefore(missed(result, spec));
    case 'unheard':
      return texts.unheard(rowed(result, spec));
    case 'did_not_start':
      return texts.didNotStart;
    default:
      return result.outcome satisfies never;
  }
}

/** A finish that is known only to this or worse is shown without tenths; a machine that reports once a second does better. */
const NO_TENTH_MS = 1_000;

function finished({ shown, margin, sure_ms }: AthleteResult): string {
  const vague = sure_ms !== null && sure_ms >= NO_TENTH_MS;
  const against = margin === null ? null : againstTarget(margin, vague);
  if (shown?.want !== 'finish') return texts.rowed(shown === null ? '' : figure(metresText(shown)), against);
  return vague ? texts.finishedAbout(clockText(Math.round(shown.finish_ms / 1_000)), against) : texts.finishedIn(timeText(shown.finish_ms), against);
}

function metresText(shown: Target): string {
  return shown.want === 'distance' ? `${Math.round(shown.distance_dm / 10)} m` : '';
}

/** How much was rowed, in what the piece is measured by: whole metres, or the clock. */
function rowed({ distance_dm, time_ms }: AthleteResult, spec: PieceSpec): string {
  return workOf(spec).by === 'distance' ? figure(`${Math.floor(distance_dm / 10)} m`) : clockText(Math.floor(time_ms / 1_000));
}

/** How much was left of it. */
function missed({ distance_dm, time_ms }: AthleteResult, spec: PieceSpec): string {
  const work = workOf(spec);
  return work.by === 'distance' ? figure(`${Math.ceil(work.m - distance_dm / 10)} m`) : clockText(Math.ceil((work.ms - time_ms) / 1_000));
}

/** What comes next; nobody has to press anything for it. */
export function nextText({ closed, pieces }: Pick<Session, 'closed' | 'pieces'>, piece: PieceView): string {
  if (closed) return texts.next.closed;
  if (isUnderWay(piece.phase)) return texts.next.others;
  const next = pieces.find((other) => other.piece > piece.piece);
  return next === undefined ? texts.next.none : texts.next.piece(pieceTitle(next));
}

export function markText(mark: Mark): string {
  return texts.marks[mark];
}

/** How sure a finish is, if it matters at all; empty if it does not. */
export function sureText({ sure_ms, sure_dm }: AthleteResult): string {
  if (sure_ms !== null && sure_ms >= 50) return (sure_ms > SELDOM.ms ? texts.apartSeconds : texts.sureSeconds)(sure_ms / 1_000);
  if (sure_dm !== null && sure_dm >= 5) return (sure_dm > SELDOM.dm ? texts.apartMetres : texts.sureMetres)(Math.max(1, Math.round(sure_dm / 10)));
  return '';
}

/** No machine that is heard reports less often than the slowest stroke takes; in decimetres at a fast pace. */
const SELDOM = { ms: 6_000, dm: 350 };

/** A result against their own target, in words: `3.4 s ahead of your target`. */
function againstTarget({ margin_ms, margin_dm }: Margin, vague: boolean): string {
  const [amount, of, unit] = margin_dm === null ? [margin_ms ?? 0, 1_000, 's'] : [margin_dm, 10, 'm'];
  const whole = vague || margin_dm !== null;
  const text = whole ? String(Math.round(Math.abs(amount) / of)) : (Math.abs(amount) / of).toFixed(1);
  if (Number(text) === 0) return vague ? texts.aboutOnTarget : texts.onTarget;
  return (amount > 0 ? texts.aheadBy : texts.behindBy)(figure(`${text} ${unit}`));
}
