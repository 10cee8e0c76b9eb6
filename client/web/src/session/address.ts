// What the address of a page contains: `/board/KAMURETA#secret`. The fragment never leaves the browser.

export interface Address {
  /** Eight letters or twelve; empty when the address has none, as on `/row/`. */
  readonly code: string;
  /** Empty when the address has none. */
  readonly secret: string;
}

export function readAddress(url: URL): Address {
  const [, , code = ''] = url.pathname.split('/');
  return { code: codeOf(code), secret: url.hash.slice(1) };
}

/** A join code as it appears in addresses, whatever was typed: capitals, no gap. A digit is left to the server, which knows what was meant. */
export function codeOf(typed: string): string {
  return typed.replaceAll(/[^A-Za-z0-9]/g, '').toUpperCase();
}

/** Whether this can be a join code: four syllables, or six. */
export function isCode(code: string): boolean {
  return code.length === 8 || code.length === 12;
}

/** A join code as it is said: `KAMU RETA`. */
export function codeText(code: string): string {
  return code.replaceAll(/(.{4})(?=.)/g, '$1 ');
}

/** The link that opens a place in a session. */
export function linkTo(origin: string, page: 'coach' | 'row' | 'board', code: string, secret: string): string {
  return `${origin}/${page}/${code}${secret === '' ? '' : `#${secret}`}`;
}

/** Whether an address means the computer itself: no other device can reach it. */
export function meansItself({ hostname }: Pick<Location, 'hostname'>): boolean {
  return ['localhost', '127.0.0.1', '[::1]'].includes(hostname);
}
