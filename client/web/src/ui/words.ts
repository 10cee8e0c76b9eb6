// What a phase, and what somebody is doing, is called on every page.
import { ui } from '#texts';
import type { AthleteResult, Doing, Phase, PieceView } from '../protocol/decode';
import { pieceText } from './format';

export function phaseText({ phase }: Phase): string {
  return ui.phase[phase];
}

export function doingText(doing: Doing): string {
  return ui.doing[doing];
}

/**
 * How a result came about, in the one word that every list uses for it. For somebody who is not home it says why: repeats
 * were over before they came, the coach stopped everybody, or the piece was closed while they were still rowing, though they
 * had not stopped.
 */
export function outcomeText({ outcome, marks }: Pick<AthleteResult, 'outcome' | 'marks'>, { phase }: Pick<PieceView, 'phase'>): string {
  if (outcome !== 'unfinished') return ui.outcome[outcome];
  if (marks.includes('repeats_missed')) return ui.missedRepeats;
  return phase.phase === 'stopped' ? ui.outcome.stopped : ui.outcome.unfinished;
}

/** `Seventeen hundred, 1700m`. */
export function pieceTitle({ spec }: PieceView): string {
  const piece = pieceText(spec.repeats);
  return spec.title === '' ? piece : ui.pieceTitle(spec.title, piece);
}

/** Which repeat of an interval piece is being rowed or comes next: `2 of 6`; empty for a single stretch. */
export function repeatText({ spec, phase }: PieceView): string {
  const at = phase.phase === 'rowing' ? phase.repeat : phase.phase === 'resting' ? phase.next_repeat : null;
  return at === null || spec.repeats.length < 2 ? '' : ui.nthOf(at + 1, spec.repeats.length);
}

/** How a rehearsal is recognised: nothing in it is a real result. */
export function rehearsalText(speed: number): string {
  return ui.rehearsal(speed);
}
