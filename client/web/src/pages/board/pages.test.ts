import { expect, test } from 'vitest';
import { FROM_THE_START, PAGE_MS, onPage, pageAt, turns } from './pages';

test('each page in turn, for as long as the others', () => {
  const shown = Array.from({ length: 70 }, (_, second) => pageAt(second * 1_000, 3));
  expect([0, 1, 2].map((page) => shown.slice(0, 48).filter((at) => at === page).length)).toEqual([16, 16, 16]);
  expect(pageAt(PAGE_MS - 1, 3)).toBe(0);
  expect(pageAt(PAGE_MS, 3)).toBe(1);
  expect(pageAt(3 * PAGE_MS, 3)).toBe(0);
  expect(pageAt(123_456, 1)).toBe(0);
  expect(pageAt(-5, 4)).toBe(0);
});

test('everybody is on one page', () => {
  const all = Array.from({ length: 13 }, (_, nth) => nth);
  expect([0, 1].flatMap((page) => onPage(all, page, 7))).toEqual(all);
  expect(onPage(all, 1, 7)).toHaveLength(6);
});

test('a call brings the page of who has it at once, for as long as any; then the others have their turns, and go on when it is over', () => {
  const at = 3 * PAGE_MS - 1_000;
  expect(pageAt(at, 4)).toBe(2);
  const called = turns(FROM_THE_START, 'long reach', at, 3);
  expect([0, PAGE_MS - 1, PAGE_MS, 2 * PAGE_MS, 4 * PAGE_MS].map((later) => pageAt(at + later, 4, called))).toEqual([3, 3, 0, 1, 3]);
  // The same call, with its athlete now on another page, turns nothing over; nor does its end.
  expect(turns(called, 'long reach', at + 100, 1)).toBe(called);
  expect(turns(called, '', at + 100, 1)).toBe(called);
  expect(turns(called, 'sit tall', at + 9_000, 1)).toEqual({ call: 'sit tall', fromMs: at + 9_000, first: 1 });
  // None of those called is among the rows.
  expect(turns(FROM_THE_START, 'sit tall', at, -1).first).toBe(0);
});
