// What to do when a connection was closed, after the table of protocol/README.md.

/** Come back by itself, or stop and tell the person. */
export type Advice = 'reconnect' | 'stop';

/** The secret is wrong, or a newer one has taken its place. */
export const WRONG_SECRET = 4500;
/** It opens nothing now, and the server has lost records: it may be a valid one. */
export const RECORDS_LOST = 4001;

/** Works for codes that nobody has defined yet, too; null = no close frame came. */
export function advice(code: number | null): Advice {
  const stops =
    code !== null && (code === 1002 || code === 1003 || (code >= 1007 && code <= 1009) || (code >= 4500 && code <= 4999));
  return stops ? 'stop' : 'reconnect';
}
