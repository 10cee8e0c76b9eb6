// What to do when a connection was closed, after the table of protocol/README.md.

/** Come back by itself, or stop and tell the person. */
export type Advice = 'reconnect' | 'stop';

/** Also for codes that nobody has defined yet; null = no close frame came. */
export function advice(code: number | null): Advice {
  const stops =
    code !== null && (code === 1002 || code === 1003 || (code >= 1007 && code <= 1009) || (code >= 4500 && code <= 4999));
  return stops ? 'stop' : 'reconnect';
}
