import { expect, test } from 'vitest';
import { evening, rowed } from './faked';
import { absentLastTime, folded, guestSeats } from './today';

const guest = { person: null, name: 'Bo Ek', called: 'Bo Ek' };

test('what a guest rowed in one seat of an evening is one decision', () => {
  const one = evening(1, [rowed(1, { ...guest, seat: 4 }), rowed(2, { ...guest, seat: 4 }), rowed(3, { ...guest, seat: 5 }), rowed(4)]);
  expect(guestSeats([one]).map(({ seat, results }) => [seat, results.length])).toEqual([[4, 2], [5, 1]]);
});

test('who came before and not last time is named once, guests never', () => {
  const bo = { person: 'person-bo', name: 'Bo Ek' };
  const last = evening(3, [rowed(1)]);
  const before = [evening(2, [rowed(2), rowed(3, bo)]), evening(1, [rowed(4, bo), rowed(5, { ...guest, name: 'Cem' })])];
  expect(absentLastTime([last, ...before])).toEqual(['Bo Ek']);
  expect(absentLastTime([])).toEqual([]);
});

test('who rowed as a guest last time is not called absent', () => {
  const bo = { person: 'person-bo', name: 'Bo Ek' };
  expect(absentLastTime([evening(2, [rowed(1, { ...guest, seat: 1, called: 'bo  ek', name: 'bo  ek' })]), evening(1, [rowed(4, bo), rowed(2)])])).toEqual(['Ana Lima']);
});

test('a name is the same however it is typed', () => {
  expect(folded('  ZSÓFIA   Nagy')).toBe(folded('Zsofia nagy'));
  expect(folded('Ana')).not.toBe(folded('Ana Lima'));
});
