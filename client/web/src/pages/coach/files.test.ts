import { expect, test } from 'vitest';
import { cell, fileName } from './files';

// OWASP, CSV injection: what begins with =, +, -, @, tab or return is taken for a formula.
test('a name is never a formula', () => {
  expect(['=1+1', '@here', '+1+cmd', '-2+3', ' =1', '\t=1', 'a"b', 'a=1', 'Fenn, Ida'].map(cell)).toEqual([
    "'=1+1", "'@here", "'+1+cmd", "'-2+3", "' =1", "'\t=1", '"a""b"', 'a=1', '"Fenn, Ida"',
  ]);
});

test('the file has a name that every system takes', () => {
  expect(fileName('Wednesday at Lántern Quay!', 'results')).toBe('wednesday-at-la-ntern-quay-results.csv');
  expect(fileName('???', 'links')).toBe('session-links.csv');
});
