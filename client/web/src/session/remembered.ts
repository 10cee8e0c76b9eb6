// What this browser remembers of a person's own place in a session, so that a reload opens it again. It stays on this
// device: none of it is ever part of an address that is requested.
import { restored } from '../protocol/decode';
import type { AthleteId, RunId } from '../protocol/decode';

/** A place in a session. */
export interface Remembered {
  readonly secret: string;
  /** An athlete's recording; null for others. */
  readonly run: RunId | null;
  /** Whose place it is, once the server has said so. */
  readonly athlete?: AthleteId | null;
}

/** The part of the browser's storage that is needed. */
export type Shelf = Pick<Storage, 'getItem' | 'setItem' | 'removeItem'>;

export function remember(shelf: Shelf, page: string, code: string, place: Remembered): void {
  shelf.setItem(name(page, code), JSON.stringify(place));
}

export function recall(shelf: Shelf, page: string, code: string): Remembered | null {
  return restored<Remembered>(
    shelf.getItem(name(page, code)),
    ({ secret, run, athlete = null }) => typeof secret === 'string' && [run, athlete].every((id) => id === null || typeof id === 'string'),
  );
}

export function forget(shelf: Shelf, page: string, code: string): void {
  shelf.removeItem(name(page, code));
}

/** Which recording of an athlete this device keeps: it goes on when they come back to it, whoever sat here in the meantime. */
export function rememberRecording(shelf: Shelf, code: string, athlete: AthleteId, run: RunId): void {
  shelf.setItem(recording(code, athlete), run);
}

export function recallRecording(shelf: Shelf, code: string, athlete: AthleteId): RunId | null {
  return shelf.getItem(recording(code, athlete));
}

function recording(code: string, athlete: AthleteId): string {
  return `thole recording ${code} ${athlete}`;
}

function name(page: string, code: string): string {
  return `thole ${page} ${code}`;
}
