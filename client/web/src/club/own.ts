// The key of whoever this device belongs to: it opens what is their own, and lets them into a session without being asked.
import type { Myself } from '../protocol/club';
import type { Shelf } from '../session/remembered';
import type { Fetch } from './ask';

const KEY = 'thole person key';

/** Empty where no card was used. */
export function ownKey(shelf: Pick<Shelf, 'getItem'>): string {
  return shelf.getItem(KEY) ?? '';
}

export function keepOwnKey(shelf: Pick<Shelf, 'setItem' | 'removeItem'>, key: string): void {
  if (key === '') shelf.removeItem(KEY);
  else shelf.setItem(KEY, key);
}

const HALL = 'thole hall key';

/** The key of a device that lies in the hall and is nobody's; empty for any other. */
export function hallKey(shelf: Pick<Shelf, 'getItem'>): string {
  return shelf.getItem(HALL) ?? '';
}

export function keepHallKey(shelf: Pick<Shelf, 'setItem' | 'removeItem'>, key: string): void {
  if (key === '') shelf.removeItem(HALL);
  else shelf.setItem(HALL, key);
}

/** What the club calls whoever this device belongs to; empty for nobody, and where the server does not say. */
export async function whose(shelf: Pick<Shelf, 'getItem'>, fetching?: Fetch): Promise<string> {
  const key = ownKey(shelf);
  if (key === '') return '';
  // Devices that belong to nobody do not load what asks.
  const { Asking } = await import('./ask');
  const answer = await new Asking(key, fetching).read<Myself>('/me');
  return answer.ok ? (answer.value.person?.called ?? '') : '';
}

/** Whether somebody who says this name means whoever the device belongs to. */
export function isOwn(said: string, owner: string): boolean {
  const plain = (name: string): string => name.trim().replace(/\s+/g, ' ').normalize('NFKC').toLowerCase();
  return owner !== '' && plain(said) === plain(owner);
}
