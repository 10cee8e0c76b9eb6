// What this device keeps for the coach: the sessions that were made or opened here, the links that came with them (the
// server keeps only hashes), and how the coach likes the desk. None of it ever leaves the device by itself.
import { isFields, restored } from '../../protocol/decode';
import type { Shelf } from '../../session/remembered';
import { soundKeys, type Keys } from './keys';

/** A session that was made or opened on this device. */
export interface KeptSession {
  readonly code: string;
  readonly title: string;
  readonly secret: string;
  /** Known only where the session, or the board's newest link, was made. */
  readonly board: string | null;
  /** Athletes' secrets by their identity, as far as they were made here. */
  readonly links: Readonly<Record<string, string>>;
  /** Each athlete's targets as they are typed, by the piece as it is typed; newest last. */
  readonly targets?: KeptTargets;
}

export type KeptTargets = Readonly<Record<string, Readonly<Record<string, string>>>>;

/** How the coach likes the desk. */
export interface Habits {
  readonly singleKeys: boolean;
  /** Keys that are not the usual ones. */
  readonly keys: Keys;
  /** How long a call of the pad stands, as it is typed; empty means until the next. */
  readonly span: string;
}

/** Sessions that are kept; older ones give way. */
const SESSIONS_MAX = 20;
const SESSIONS = 'thole coach sessions';
const HABITS = 'thole coach habits';
const KEY = 'thole coach key';

/** Newest first. */
export function keptSessions(shelf: Pick<Shelf, 'getItem'>): readonly KeptSession[] {
  const kept = restored<{ sessions: KeptSession[] }>(shelf.getItem(SESSIONS), ({ sessions }) => Array.isArray(sessions));
  const sound = (one: unknown) => isFields(one) && typeof one['code'] === 'string' && typeof one['secret'] === 'string' && isFields(one['links']);
  return (kept?.sessions ?? []).filter(sound);
}

/** Takes note of a session; what was known about it and is not given stays. */
export function keepSession(shelf: Pick<Shelf, 'getItem' | 'setItem'>, code: string, more: Partial<Omit<KeptSession, 'code'>>): void {
  const all = keptSessions(shelf);
  const known = all.find((one) => one.code === code) ?? { code, title: '', secret: '', board: null, links: {} };
  const links = { ...known.links, ...more.links };
  const sessions = [{ ...known, ...more, links }, ...all.filter((one) => one.code !== code)].slice(0, SESSIONS_MAX);
  shelf.setItem(SESSIONS, JSON.stringify({ sessions }));
}

export function dropSession(shelf: Pick<Shelf, 'getItem' | 'setItem'>, code: string): void {
  shelf.setItem(SESSIONS, JSON.stringify({ sessions: keptSessions(shelf).filter((one) => one.code !== code) }));
}

/** The head coach's key, with which sessions are made on this server; empty where it was never opened by that link. */
export function keptKey(shelf: Pick<Shelf, 'getItem'>): string {
  return shelf.getItem(KEY) ?? '';
}

export function keepKey(shelf: Pick<Shelf, 'setItem' | 'removeItem'>, key: string): void {
  if (key === '') shelf.removeItem(KEY);
  else shelf.setItem(KEY, key);
}

export function keptHabits(shelf: Pick<Shelf, 'getItem'>): Habits {
  const kept = restored<Habits>(
    shelf.getItem(HABITS),
    ({ singleKeys, span }) => typeof singleKeys === 'boolean' && typeof span === 'string',
  );
  // Habits from before keys could be changed have none.
  return kept === null ? { singleKeys: true, keys: {}, span: '10 strokes' } : { ...kept, keys: soundKeys(kept.keys) };
}

export function keepHabits(shelf: Pick<Shelf, 'setItem'>, habits: Habits): void {
  shelf.setItem(HABITS, JSON.stringify(habits));
}
