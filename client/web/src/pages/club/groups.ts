// Who may do what with a group, and what is known of an evening's attendance.
import type { Attendance, Attended, Group, Groups, Myself } from '../../protocol/club';

export type AttendanceState = Attendance['lines'][number]['state'];

/** In the order in which they are counted and offered. */
export const STATES: readonly AttendanceState[] = ['came', 'late', 'home', 'excused', 'absent'];

/** Whether somebody has a group; the head coach has them all. */
export function has(me: Myself, group: Pick<Group, 'coach'>): boolean {
  return me.role === 'head' || (me.role === 'coach' && me.coach !== null && me.coach === group.coach?.called);
}

/** To whom a group can be handed over: any coach but its own. `null` is the head coach. */
export function takers(groups: Groups, group: Group): readonly (Groups['coaches'][number] | null)[] {
  const others = groups.coaches.filter(({ coach }) => coach !== group.coach?.coach);
  return group.coach === null && group.had_by === null ? others : [...others, null];
}

/** How often what was so, in the order of `STATES`; what never was is left out. */
export function counted(sessions: Attended['sessions']): readonly (readonly [AttendanceState, number])[] {
  return STATES.map((state) => [state, sessions.filter((one) => one.state === state).length] as const).filter(([, count]) => count > 0);
}

/** A group of which somebody came, with whoever of it was absent. */
export interface Missing {
  readonly called: string;
  readonly names: readonly string[];
}

/** Of each of these groups, with its lines of one evening: a group of which nobody came was not meant to. */
export function missing(groups: Groups['groups'], evenings: readonly (Attendance | null)[]): readonly Missing[] {
  return groups.flatMap(({ called }, nth) => {
    const lines = evenings[nth]?.lines ?? [];
    if (!lines.some(({ state }) => state === 'came' || state === 'late')) return [];
    return [{ called, names: lines.filter(({ state }) => state === 'absent').map((line) => line.called) }];
  });
}
