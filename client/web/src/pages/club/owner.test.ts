import { expect, test } from 'vitest';
import type { PersonLine } from '../../protocol/club';
import { guessed, ownerOf } from './owner';

function person(called: string, more: Partial<PersonLine> = {}): PersonLine {
  return { person: called, called, born_year: null, hall_name: null, merged_into: null, results: 3, last_day: null, ...more };
}

const PEOPLE = [person('Ana Lima'), person('Zoë Vance'), person('Bo Ek', { person: 'bo-1' }), person('Bo  ek', { person: 'bo-2', born_year: 1990 }), person('Old Entry', { merged_into: 'bo-1' })];

test('a name is found however it is typed, and one that nobody has is a new person', () => {
  expect(ownerOf(PEOPLE, ' ana  LIMA ')).toMatchObject({ is: 'known', person: { called: 'Ana Lima' } });
  expect(ownerOf(PEOPLE, 'zoe vance')).toMatchObject({ is: 'known', person: { called: 'Zoë Vance' } });
  expect(ownerOf(PEOPLE, '  Jun   Mori ')).toEqual({ is: 'new', called: 'Jun Mori' });
  expect(ownerOf(PEOPLE, '   ')).toEqual({ is: 'nobody' });
});

test('two of one name are never told apart by chance, and who was merged is nobody’s choice', () => {
  expect(ownerOf(PEOPLE, 'Bo Ek')).toMatchObject({ is: 'several', people: [{ person: 'bo-1' }, { person: 'bo-2' }] });
  expect(ownerOf(PEOPLE, 'Old Entry')).toMatchObject({ is: 'new' });
});

test('a guest’s first name suggests the only person who has it', () => {
  expect(guessed(PEOPLE, 'ana')).toBe('Ana Lima');
  expect(guessed(PEOPLE, 'Bo')).toBe('Bo');
  expect(guessed(PEOPLE, 'An')).toBe('An');
  expect(guessed(PEOPLE, '')).toBe('');
});
