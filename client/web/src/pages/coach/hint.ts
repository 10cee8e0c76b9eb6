// Which call of the pad could fit what a card says: found by the coach's own words, as a hint and no more. For one
// who has stopped there is none, and for one whose heart rate is high only what eases.
import type { About, CallText } from '../../protocol/decode';

/** A call of the pad and its place there, 0 first. */
export interface Hint {
  readonly place: number;
  readonly shown: string;
}

/** Words that calls have, most fitting first. */
const LONGER = ['long', 'reach', 'legs', 'tall', 'hang'];
const SETTLE = ['settle', 'patient', 'steady', 'ease', 'easy', 'calm', 'loose', 'slow'];
const EASE = ['ease', 'easy', 'breathe', 'calm', 'loose', 'relax', 'settle'];
/** A call that has one of these is never a hint for somebody whose heart rate is high. */
const PUSHES = ['press', 'push', 'go', 'hard', 'harder', 'faster', 'sprint', 'up', 'more'];

/** Null when no call of the pad fits, or none should go out. */
export function hintFor({ about }: About, pad: readonly CallText[]): Hint | null {
  switch (about) {
    case 'fading':
      return found(pad, LONGER);
    case 'rate_no_faster':
      return found(pad, ['slow', 'down', ...LONGER]);
    case 'too_fast':
      return found(pad, SETTLE);
    case 'heart_rate':
      return found(pad, EASE, PUSHES);
    case 'stopped':
    case 'not_heard':
    case 'machine_reset':
    case 'clocks_apart':
    case 'target_far_off':
      return null;
    default:
      return about satisfies never;
  }
}

function found(pad: readonly CallText[], wanted: readonly string[], unwanted: readonly string[] = []): Hint | null {
  const calls = pad.map(({ shown }, place) => ({ place, shown, words: shown.toLowerCase().split(/[^\p{L}]+/u) }));
  for (const word of wanted) {
    const fits = calls.find(({ words }) => words.includes(word) && !words.some((one) => unwanted.includes(one)));
    if (fits !== undefined) return { place: fits.place, shown: fits.shown };
  }
  return null;
}
