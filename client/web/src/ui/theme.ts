// Light, dark, or as the device is set; remembered on this device for all pages.

export type Theme = 'light' | 'dark' | 'device';

const NAME = 'thole theme';
const THEMES: readonly Theme[] = ['light', 'dark', 'device'];

/** What was chosen here; light in a lit hall unless somebody chose otherwise. `?theme=` in the address wins. */
export function chosenTheme(shelf: Pick<Storage, 'getItem'>, address: URL): Theme {
  const wanted = address.searchParams.get('theme') ?? shelf.getItem(NAME);
  return THEMES.find((theme) => theme === wanted) ?? 'light';
}

export function showTheme(page: HTMLElement, theme: Theme): void {
  page.dataset['theme'] = theme;
}

export function keepTheme(shelf: Pick<Storage, 'setItem'>, theme: Theme): void {
  shelf.setItem(NAME, theme);
}
