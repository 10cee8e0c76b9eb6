// A table for spreadsheets as it goes to the server: its bytes as they are, for which letters they mean is found out there.
import type { Looked } from '../../protocol/club';

/** What becomes of a doubtful line: left out, stored as it stands there, or as it was probably meant. */
export type Choice = 'leave' | 'also' | 'meant';

/** So many bytes become text at a time: more arguments than that no browser takes. */
const CHUNK = 0x8000;

/** RFC 4648 section 4. */
export function base64(bytes: Uint8Array): string {
  const parts: string[] = [];
  for (let at = 0; at < bytes.length; at += CHUNK) parts.push(String.fromCharCode(...bytes.subarray(at, at + CHUNK)));
  return btoa(parts.join(''));
}

/** Lines that somebody has to look at. */
export function openLines(lines: Looked['lines']): Looked['lines'] {
  return lines.filter(({ verdict }) => verdict === 'doubtful' || verdict === 'wrong');
}
