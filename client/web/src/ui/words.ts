// What a phase, and what somebody is doing, is called on every page.
import type { Doing, Outcome, Phase, PieceView } from '../protocol/decode';
import { pieceText } from './format';

export function phaseText(phase: Phase): string {
  switch (phase.phase) {
    case 'gathering':
      return 'Getting ready';
    case 'armed':
      return 'Ready to start';
    case 'counting':
      return 'Starting in';
    case 'rowing':
      return 'Rowing';
    case 'resting':
      return 'Rest';
    case 'closing':
      return 'Finishing';
    case 'finished':
      return 'Finished';
    case 'stopped':
      return 'Stopped by the coach';
    default:
      return phase satisfies never;
  }
}

export function doingText(doing: Doing): string {
  return doing;
}

export function outcomeText(outcome: Outcome): string {
  switch (outcome) {
    case 'finished':
      return 'finished';
    case 'stopped':
      return 'stopped';
    case 'unfinished':
      return 'unfinished';
    case 'unheard':
      return 'not heard to the end';
    case 'did_not_start':
      return 'did not start';
    default:
      return outcome satisfies never;
  }
}

/** `Seventeen hundred, 1700m`. */
export function pieceTitle({ spec }: PieceView): string {
  const piece = pieceText(spec.repeats);
  return spec.title === '' ? piece : `${spec.title}, ${piece}`;
}

/** Which repeat of an interval piece is rowed or comes next: `2 of 6`; empty of a single stretch. */
export function repeatText({ spec, phase }: PieceView): string {
  const at = phase.phase === 'rowing' ? phase.repeat : phase.phase === 'resting' ? phase.next_repeat : null;
  return at === null || spec.repeats.length < 2 ? '' : `${at + 1} of ${spec.repeats.length}`;
}

/** What a rehearsal is told by: nothing in it is a real result. */
export function rehearsalText(speed: number): string {
  return `Rehearsal: ${speed} times faster than life`;
}
