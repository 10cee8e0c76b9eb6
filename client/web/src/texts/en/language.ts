// The language and its rules: forms by number, lists, and how numbers are written.
import { pluralOf } from '../plural';

const LANGUAGE = 'en-GB';
/** The language as browsers name it, and in which direction it is written. */
export const language: { readonly tag: string; readonly direction: 'ltr' | 'rtl' } = { tag: LANGUAGE, direction: 'ltr' };

export const plural = /* @__PURE__ */ pluralOf(LANGUAGE);
export const conjunction = /* @__PURE__ */ new Intl.ListFormat(LANGUAGE, { type: 'conjunction' });
export const units = /* @__PURE__ */ new Intl.ListFormat(LANGUAGE, { type: 'unit' });
export const numbers = /* @__PURE__ */ new Intl.NumberFormat(LANGUAGE, { maximumFractionDigits: 1 });
export const percent = /* @__PURE__ */ new Intl.NumberFormat(LANGUAGE, { style: 'percent', maximumFractionDigits: 0 });
export const tenths = /* @__PURE__ */ new Intl.NumberFormat(LANGUAGE, { minimumFractionDigits: 1, maximumFractionDigits: 1 });

const dates = /* @__PURE__ */ new Intl.DateTimeFormat(LANGUAGE, { weekday: 'short', day: 'numeric', month: 'short', year: 'numeric', timeZone: 'UTC' });

/** A day of the club's calendar, which comes as `2026-11-30`: `Mon, 30 Nov 2026`. */
export function day(iso: string): string {
  const at = Date.parse(`${iso}T00:00:00Z`);
  return Number.isNaN(at) ? iso : dates.format(at);
}

/** Some of the athletes: by name while they are few, otherwise how many. */
export type Some = readonly string[] | number;

export function some(who: Some): string {
  if (typeof who === 'number') return plural(who, { one: `${who} athlete`, other: `${who} athletes` });
  return who.length === 0 ? 'nobody' : conjunction.format(who);
}

/** Small numbers in words, as a sentence has them. */
export function spelled(number: number): string {
  return ['no', 'one', 'two', 'three', 'four', 'five', 'six', 'seven', 'eight', 'nine', 'ten', 'eleven', 'twelve'][number] ?? String(number);
}

export function capital(words: string): string {
  return words.charAt(0).toUpperCase() + words.slice(1);
}

const instants = /* @__PURE__ */ new Intl.DateTimeFormat(LANGUAGE, { weekday: 'short', day: 'numeric', month: 'short', hour: '2-digit', minute: '2-digit' });

/** An instant in Unix milliseconds, by the clock of whoever reads it: `Mon, 30 Nov, 19:04`. */
export function when(unixMs: number): string {
  return instants.format(unixMs);
}
