// More people than rows: equal pages, each shown for a while, in turn.

/** How long one page is shown, in life. */
export const PAGE_MS = 8_000;

/** Which of so many pages is shown, from a clock that runs as life does. */
export function pageAt(clockMs: number, pages: number): number {
  return pages < 2 ? 0 : Math.floor(Math.max(0, clockMs) / PAGE_MS) % pages;
}

/** Those on one page, of all in their order; everybody is on exactly one. */
export function onPage<One>(all: readonly One[], page: number, perPage: number): readonly One[] {
  return all.slice(page * perPage, (page + 1) * perPage);
}
