import { expect, test } from 'vitest';
import type { Attendance, Attended, Group, Myself } from '../../protocol/club';
import { counted, has, missing, takers } from './groups';

const INES = { coach: 'c-ines', called: 'Ines' };
const JO = { coach: 'c-jo', called: 'Jo' };
const group = (more: Partial<Group> = {}): Group => ({ group: 'g-1', called: 'Mornings', coach: INES, had_by: null, members: [], ...more });
const me = (role: Myself['role'], coach: string | null): Myself => ({ role, person: null, coach, club: '', zone: 'UTC' });

test('a coach changes their own groups, the head coach all of them, and assistants none', () => {
  expect(has(me('coach', 'Ines'), group())).toBe(true);
  expect(has(me('coach', 'Jo'), group())).toBe(false);
  expect(has(me('assistant', 'Ines'), group())).toBe(false);
  // The head coach's link has no name, and a group of nobody is not everybody's.
  expect(has(me('head', null), group())).toBe(true);
  expect(has(me('coach', null), group({ coach: null }))).toBe(false);
});

test('a group is handed over to any coach but its own', () => {
  const coaches = [INES, JO];
  expect(takers({ groups: [], coaches }, group())).toEqual([JO, null]);
  expect(takers({ groups: [], coaches }, group({ coach: null }))).toEqual([INES, JO]);
  // Whoever left is not offered; the head coach can take it for good.
  expect(takers({ groups: [], coaches: [INES] }, group({ coach: null, had_by: 'Jo' }))).toEqual([INES, null]);
});

test('evenings are counted by what they were', () => {
  const one = (state: Attended['sessions'][number]['state'], nth: number): Attended['sessions'][number] => ({ session: `s-${nth}`, day: '2026-11-20', title: '', state, source: 'rowed' });
  expect(counted([one('absent', 1), one('came', 2), one('came', 3)])).toEqual([['came', 2], ['absent', 1]]);
  expect(counted([])).toEqual([]);
});

test('of a group of which somebody came, whoever is absent is named; of others nobody', () => {
  const line = (called: string, state: 'came' | 'late' | 'home' | 'absent'): Attendance['lines'][number] => ({ person: called, called, state, source: 'rowed' });
  const of = (...lines: Attendance['lines']): Attendance => ({ session: 's-1', day: '2026-11-20', lines });
  const groups = ['Mornings', 'Evenings', 'Juniors', 'Nobody'].map((called) => group({ called }));
  const evenings = [of(line('Ana', 'late'), line('Bo', 'absent'), line('Cem', 'home')), of(line('Dee', 'absent'), line('Eve', 'home')), of(line('Fin', 'came')), null];
  expect(missing(groups, evenings)).toEqual([{ called: 'Mornings', names: ['Bo'] }, { called: 'Juniors', names: [] }]);
});
