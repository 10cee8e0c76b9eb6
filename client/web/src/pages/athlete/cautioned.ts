// Who has read the cautions on this device, in which wording, and when: once read they are one line for ninety days.
import { restored } from '../../protocol/decode';
import type { Shelf } from '../../session/remembered';

/** Another wording of the cautions needs another number: everybody then reads all of it. */
const WORDING = 1;
const STANDS_MS = 90 * 86_400_000;
/** A device of a gym forgets those who came first. */
const PEOPLE_MAX = 50;

interface Cautioned {
  readonly read: readonly { readonly who: string; readonly wording: number; readonly at_ms: number }[];
}

const NAME = 'thole cautions';

/** Whether somebody has read them here not long ago; a clock that was set back is not believed. */
export function hasRead(shelf: Pick<Shelf, 'getItem'>, name: string, nowMs: number): boolean {
  return standing(shelf, nowMs).some(({ who }) => who === plain(name));
}

export function noteRead(shelf: Pick<Shelf, 'getItem' | 'setItem'>, name: string, nowMs: number): void {
  const others = standing(shelf, nowMs).filter(({ who }) => who !== plain(name));
  const read = [...others, { who: plain(name), wording: WORDING, at_ms: nowMs }].slice(-PEOPLE_MAX);
  shelf.setItem(NAME, JSON.stringify({ read } satisfies Cautioned));
}

function standing(shelf: Pick<Shelf, 'getItem'>, nowMs: number): Cautioned['read'] {
  const kept = restored<Cautioned>(shelf.getItem(NAME), ({ read }) => Array.isArray(read))?.read ?? [];
  return kept.filter((of) => typeof of?.who === 'string' && of.wording === WORDING && of.at_ms <= nowMs && nowMs - of.at_ms < STANDS_MS);
}

function plain(name: string): string {
  return name.trim().replace(/\s+/g, ' ').normalize('NFKC').toLowerCase();
}
