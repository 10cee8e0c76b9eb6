// What of the last evenings needs a decision, and who was not there.
import type { Listed, WholeSession } from '../../protocol/club';
import { nameOf } from './lines';

/** Results that one guest rowed in one session: given to a person, they go together. */
export interface GuestSeat {
  readonly session: string;
  readonly seat: number;
  readonly name: string;
  readonly day: string;
  readonly results: readonly Listed[];
}

/** Seats of guests in these sessions, newest session first, by name within. */
export function guestSeats(sessions: readonly WholeSession[]): readonly GuestSeat[] {
  const seats = new Map<string, GuestSeat>();
  for (const { session, by_piece } of sessions) {
    for (const result of by_piece.flatMap(({ results }) => results)) {
      if (result.person !== null || result.seat === null) continue;
      const of = `${session} ${result.seat}`;
      const known = seats.get(of) ?? { session, seat: result.seat, name: nameOf(result), day: result.day, results: [] };
      seats.set(of, { ...known, results: [...known.results, result] });
    }
  }
  return [...seats.values()];
}

/** People who rowed in one of the evenings before the last, and not in the last; by name. */
export function absentLastTime([last, ...before]: readonly WholeSession[]): readonly string[] {
  if (last === undefined) return [];
  const people = (session: WholeSession): readonly Listed[] => session.by_piece.flatMap(({ results }) => results).filter(({ person }) => person !== null);
  const there = new Set(people(last).map(({ person }) => person));
  // Somebody who rowed as a guest was there, though nobody has said yet who it was.
  const guests = new Set(guestSeats([last]).map(({ name }) => folded(name)));
  const isThere = (result: Listed): boolean => there.has(result.person) || guests.has(folded(nameOf(result)));
  const absent = new Map(before.flatMap(people).filter((result) => !isThere(result)).map((result) => [result.person, nameOf(result)]));
  return [...absent.values()].sort((a, b) => a.localeCompare(b));
}

/** Names that two people type differently are one name: spaces, capitals and accents apart. */
export function folded(name: string): string {
  return name.normalize('NFKD').replaceAll(/\p{Mark}/gu, '').toLowerCase().split(/\s+/).filter((word) => word !== '').join(' ');
}
