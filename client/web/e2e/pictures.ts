// The pictures of the README: which there are, and where they stand. `npm run pictures` takes them.
export const FOLDER = new URL('../pictures/', import.meta.url).pathname;
export const README = new URL('../../../README.md', import.meta.url).pathname;

/** As large as these screens are: a laptop, a phone on a machine, the gym TV. */
export const PAGES = {
  coach: { width: 1280, height: 800 },
  athlete: { width: 390, height: 844 },
  board: { width: 1920, height: 1080 },
} as const;
export const THEMES = ['light', 'dark'] as const;

export type Page = keyof typeof PAGES;

/** A README is read over poor connections, too. */
export const BYTES_MAX = 200_000;

export function fileOf(page: Page, theme: (typeof THEMES)[number]): string {
  return `${page}-${theme}.webp`;
}

/** All that the command writes. */
export const FILES: readonly string[] = (Object.keys(PAGES) as Page[]).flatMap((page) => THEMES.map((theme) => fileOf(page, theme)));
