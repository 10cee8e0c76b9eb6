import { expect, test } from 'vitest';
import { PAGE_MS, onPage, pageAt } from './pages';

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
