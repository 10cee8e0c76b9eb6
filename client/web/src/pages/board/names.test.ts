import { expect, test } from 'vitest';
import { shortened } from './names';

const letters = (name: string) => [...name].length;

test('only what has no room is shortened', () => {
  expect(shortened(['Tam Lindqvist', 'Ife Calder', 'Bo'], 11, letters)).toEqual(['Tam L.', 'Ife Calder', 'Bo']);
  expect(shortened(['Old Sam Reedy'], 11, letters)).toEqual(['Old Sam R.']);
});

test('nobody is mistaken for somebody else', () => {
  expect(shortened(['Tam Lindqvist', 'Tam Lundgaard'], 11, letters)).toEqual(['Tam Li.', 'Tam Lu.']);
  expect(shortened(['Tam Lindqvist', 'Tam L.'], 11, letters)).toEqual(['Tam Li.', 'Tam L.']);
  expect(shortened(['Tam Lindqvist', 'Tam Lindqvistson'], 11, letters)).toEqual(['Tam Lindqvist', 'Tam Lindqvists.']);
  // When even whole names do not tell people apart, that is no reason not to shorten them.
  expect(shortened(['Tam Lindqvist', 'Tam Lindqvist'], 11, letters)).toEqual(['Tam L.', 'Tam L.']);
});

test('a name of one word stays, and letters are counted as people see them', () => {
  expect(shortened(['Bartholomewsdottir'], 11, letters)).toEqual(['Bartholomewsdottir']);
  expect(shortened(['Zoë 𝒜abcdefghijk'], 11, letters)).toEqual(['Zoë 𝒜.']);
});
