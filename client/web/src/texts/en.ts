// Everything the pages say, in English, one section a page. A sentence with a number or a name in it is a function that
// takes them; how many there are decides the form by `plural`. `#texts` is this file, or that of the language a build is
// made for: another language is another file of the same shape, and no page is touched.
// In brackets stands a key of the keyboard: `hold [Space]` (`ui/Rich.svelte`).

/** Said by more than one page. */
export const ui = {} as const;

/** The athlete's page. */
export const athlete = {} as const;

/** The board. */
export const board = {} as const;

/** The coach's page. */
export const coach = {} as const;
