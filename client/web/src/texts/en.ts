// Everything the pages say, in English, one section a page. A sentence with a number or a name in it is a function that
// takes them; how many there are decides the form by `plural`. `#texts` is this file, or that of the language a build is
// made for: another language is another file of the same shape, and no page is touched.
// In brackets stands a key of the keyboard: `hold [Space]` (`ui/Rich.svelte`). Times, paces, distances and margins come as
// the trade writes them (`ui/format.ts`); numbers, names and lists are written here, as the language does.
import { pluralOf } from './plural';

const LANGUAGE = 'en-GB';
const plural = /* @__PURE__ */ pluralOf(LANGUAGE);
const conjunction = /* @__PURE__ */ new Intl.ListFormat(LANGUAGE, { type: 'conjunction' });
const units = /* @__PURE__ */ new Intl.ListFormat(LANGUAGE, { type: 'unit' });
const numbers = /* @__PURE__ */ new Intl.NumberFormat(LANGUAGE, { maximumFractionDigits: 1 });
const tenths = /* @__PURE__ */ new Intl.NumberFormat(LANGUAGE, { minimumFractionDigits: 1, maximumFractionDigits: 1 });

/** Said by more than one page. */
export const ui = {} as const;

/** The athlete's page. */
export const athlete = {} as const;

/** The board. */
export const board = {} as const;

/** The coach's page. */
export const coach = {} as const;

/** Its parts that are seldom needed come with their texts: preparing, results, keys. */
export const coachPrepare = {} as const;
export const coachResults = {} as const;
export const coachKeys = {} as const;
