// Which build this page is from. A page from an older build than the server's says so, and reloads itself when no piece
// is under way.

/** What the build script wrote into the page; null while it is served by Vite. */
export function ownBuild(page: Document): string | null {
  const named = page.querySelector('meta[name="thole-build"]')?.getAttribute('content') ?? '';
  return named === '' || named.startsWith('__') ? null : named;
}

/** Whether the server is from another build than this page. */
export function hasToReload(serverBuild: string, own: string | null = ownBuild(document)): boolean {
  return own !== null && own !== serverBuild;
}

/**
 * Whether to reload for this build: only once. When the same page comes back all the same, something between here and
 * the server keeps old pages, and going round in circles would help nobody.
 */
export function reloadsOnce(shelf: Pick<Storage, 'getItem' | 'setItem'>, serverBuild: string): boolean {
  if (shelf.getItem('thole reloaded for') === serverBuild) return false;
  shelf.setItem('thole reloaded for', serverBuild);
  return true;
}
