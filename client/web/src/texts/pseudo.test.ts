import { expect, test } from 'vitest';
import * as english from './en/index';
import { pluralOf } from './plural';
import * as language from './pseudo/index';
import { pseudo } from './pseudo/index';

test('a text in the pseudo-language is longer, and no letter of it is plain', () => {
  const text = 'Hold Start for one second';
  expect([...pseudo(text)].length).toBeGreaterThanOrEqual(text.length * 1.4);
  expect(pseudo(text)).not.toMatch(/[a-z]/i);
  expect(pseudo('0:14')).toBe('0:14');
});

test('a key of the keyboard keeps its name', () => {
  expect(pseudo('hold [Space]')).toContain('[Space]');
});

test('a count takes the form that its language asks for', () => {
  const forms = { one: 'call', few: 'few', other: 'calls' };
  expect([0, 1, 2].map((count) => pluralOf('en')(count, forms))).toEqual(['calls', 'call', 'calls']);
  // Unicode CLDR: Polish has a form of its own for 2 to 4.
  expect([1, 3, 5].map((count) => pluralOf('pl')(count, forms))).toEqual(['call', 'few', 'calls']);
});

test('every section of the English texts is there: a page built with fewer would not even build', () => {
  const sections = Object.keys(english).filter((name) => name !== 'default');
  expect(Object.keys(language)).toEqual(expect.arrayContaining(sections));
});
