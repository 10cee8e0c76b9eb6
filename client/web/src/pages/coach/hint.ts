// Which call of the pad might fit what a card says: found in the coach's own words, as a hint and no more. For somebody
// who has stopped there is none, and for somebody whose heart rate is high only what eases.
import { coach as texts } from '#texts';
import type { About, CallText } from '../../protocol/decode';

/** A call of the pad and its place there, 0 first. */
export interface Hint {
  readonly place: number;
  readonly shown: string;
}

/** Null when no call of the pad fits, or none should go out. */
export function hintFor({ about }: About, pad: readonly CallText[]): Hint | null {
  switch (about) {
    case 'fading':
      return found(pad, texts.hints.longer);
    case 'rate_no_faster':
      return found(pad, texts.hints.fewer);
    case 'too_fast':
      return found(pad, texts.hints.settle);
    case 'heart_rate':
      return found(pad, texts.hints.ease, texts.hints.pushes);
    case 'stopped':
    case 'stopped_unheard':
    case 'not_heard':
    case 'machine_reset':
    case 'clocks_apart':
    case 'target_far_off':
      return null;
    default:
      return about satisfies never;
  }
}

function found(pad: readonly CallText[], wanted: string, unwanted = ''): Hint | null {
  const pushes = unwanted.split(' ');
  const calls = pad.map(({ shown }, place) => ({ place, shown, words: [...shown.toLowerCase().matchAll(/\p{L}+/gu)].map(([word]) => word) }));
  for (const word of wanted.split(' ')) {
    const fits = calls.find(({ words }) => words.includes(word) && !words.some((one) => pushes.includes(one)));
    if (fits !== undefined) return { place: fits.place, shown: fits.shown };
  }
  return null;
}
