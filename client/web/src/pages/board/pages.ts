// More people than rows: equal pages, each shown for a while, in turn; whoever has a call is seen at once.

/** How long one page is shown, in real time. */
export const PAGE_MS = 8_000;

/** From when, and from which page, they take turns. */
export interface Turns {
  /** The call with which they started over; empty before the first. */
  readonly call: string;
  readonly fromMs: number;
  readonly first: number;
}

export const FROM_THE_START: Turns = { call: '', fromMs: 0, first: 0 };

/** With a call the turns start over, from the page that has the first of those called; when it is over they go on. */
export function turns(was: Turns, call: string, clockMs: number, first: number): Turns {
  return call === '' || call === was.call ? was : { call, fromMs: clockMs, first: Math.max(0, first) };
}

/** Which of this many pages is shown, from a clock that runs in real time. */
export function pageAt(clockMs: number, pages: number, { fromMs, first } = FROM_THE_START): number {
  return pages < 2 ? 0 : (first + Math.floor(Math.max(0, clockMs - fromMs) / PAGE_MS)) % pages;
}

/** Those on one page, out of all in order; everybody is on exactly one. */
export function onPage<One>(all: readonly One[], page: number, perPage: number): readonly One[] {
  return all.slice(page * perPage, (page + 1) * perPage);
}
