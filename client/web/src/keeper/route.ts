// What the keeper answers itself: the athlete's page and what that page is made of, and nothing else. Whatever is not
// named here goes to the server as if there were no keeper.

/** What a request is for. */
export type Wanted =
  /** The athlete's page, whatever the session. */
  | 'page'
  /** A file that the page of this build is made of. */
  | 'part'
  /** Not ours. */
  | 'other';

/** The page, without a code: the kept copy is stored under this. */
export const PAGE = '/row/';

export interface Asked {
  readonly url: string;
  readonly method: string;
  /** How the browser asks: `navigate` means a page is being opened. */
  readonly mode: string;
}

export function wanted({ url, method, mode }: Asked, origin: string, parts: ReadonlySet<string>): Wanted {
  const address = new URL(url);
  if (method !== 'GET' || address.origin !== origin) return 'other';
  if (mode === 'navigate') return /^\/row\/[^/]*$/.test(address.pathname) ? 'page' : 'other';
  return parts.has(address.pathname) && address.search === '' ? 'part' : 'other';
}
