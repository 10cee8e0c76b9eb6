// A language nobody speaks, made from the English texts: letters with accents, two fifths longer, right to left, in
// brackets. What stays plain on a page built with it was not taken from `#texts`; what is cut off or out of place would be
// in a long language too. Only for tests: `THOLE_LANGUAGE=pseudo npm run build`.
import * as english from '../en/index';
import type { Texts } from '../shape';

const PLAIN = 'abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ';
const ACCENTED = 'àƀçđéƒǧħîĵķłɱñöþɋŕšŧüṽŵẋýžÀƁÇĐÉƑǦĦÎĴĶŁṀÑÖÞɊŔŠŦÜṼŴẊÝŽ';
/** Languages with long words need about this much more room than English. */
const LONGER = 0.4;

/** `Start` is `⟦Šŧàŕŧ··⟧`. Keys of the keyboard stay as they are. */
export function pseudo(text: string): string {
  if (!/\p{Letter}/u.test(text)) return text;
  const letters = [...ACCENTED];
  const accented = text
    .split(/(\[[^\]]+\])/)
    .map((part) => (part.startsWith('[') ? part : [...part].map((letter) => letters[PLAIN.indexOf(letter)] ?? letter).join('')))
    .join('');
  return `⟦${accented}${'·'.repeat(Math.ceil(text.length * LONGER))}⟧`;
}

/** The same shape, with every text changed; what a function says is changed when it says it. */
function changed<T>(texts: T): T {
  if (typeof texts === 'string') return pseudo(texts) as T;
  if (typeof texts === 'function') return ((...told: unknown[]) => changed((texts as (...told: unknown[]) => unknown)(...told))) as T;
  if (Array.isArray(texts)) return texts.map(changed) as T;
  if (typeof texts === 'object' && texts !== null) return Object.fromEntries(Object.entries(texts).map(([name, text]) => [name, changed(text)])) as T;
  return texts;
}

export const language: Texts<'language'> = { tag: 'en-GB', direction: 'rtl' };
export const ui: Texts<'ui'> = changed(english.ui);
export const parse: Texts<'parse'> = changed(english.parse);
export const athlete: Texts<'athlete'> = changed(english.athlete);
export const athletePrepare: Texts<'athletePrepare'> = changed(english.athletePrepare);
export const athleteResult: Texts<'athleteResult'> = changed(english.athleteResult);
export const athleteAims: Texts<'athleteAims'> = changed(english.athleteAims);
export const board: Texts<'board'> = changed(english.board);
export const coach: Texts<'coach'> = changed(english.coach);
export const coachBegin: Texts<'coachBegin'> = changed(english.coachBegin);
export const coachBefore: Texts<'coachBefore'> = changed(english.coachBefore);
export const coachEffects: Texts<'coachEffects'> = changed(english.coachEffects);
export const coachDetail: Texts<'coachDetail'> = changed(english.coachDetail);
export const coachRequests: Texts<'coachRequests'> = changed(english.coachRequests);
export const coachPrepare: Texts<'coachPrepare'> = changed(english.coachPrepare);
export const coachResults: Texts<'coachResults'> = changed(english.coachResults);
export const coachKeys: Texts<'coachKeys'> = changed(english.coachKeys);
export const club: Texts<'club'> = changed(english.club);
export const me: Texts<'me'> = changed(english.me);
export const hall: Texts<'hall'> = changed(english.hall);
