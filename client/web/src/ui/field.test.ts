import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { decode } from '../protocol/decode';
import { NOTHING_YET, reduce, type Session } from '../session/reduce';
import { field, reachOf, sideOf } from './field';

function shown(...files: string[]): Session {
  const state = files.reduce((before, file) => {
    const msg = decode(readFileSync(new URL(`../../../../protocol/examples/server/${file}`, import.meta.url), 'utf8'));
    if (msg === null) throw new Error(`${file} is not understood`);
    return reduce(before, msg.type === 'welcome' ? { news: 'welcome', msg } : { news: 'said', msg });
  }, NOTHING_YET);
  if (state.session === null) throw new Error('no welcome');
  return state.session;
}

test('everybody in the order of the server, with a name and what is shown', () => {
  const rows = field(shown('welcome-coach.json', 'standings.json'));
  const ranked = [...rows].sort((a, b) => a.order - b.order).slice(0, 2);
  expect(ranked.map(({ name, margin, finish }) => [name, margin, finish])).toEqual([
    ['Ilse Tarn', '+0.7 %', '7:35.9'],
    ['Bo Quillan', '−0.6 %', '5:59.3'],
  ]);
  expect(reachOf(rows)).toBe(2);
});

test('whoever is not ranked has a place in the list and no bar', () => {
  const rows = field(shown('welcome-coach.json', 'standings.json'));
  expect(rows.filter(({ guess }) => guess === null)).toHaveLength(3);
  expect(reachOf([])).toBe(1);
});

test('whose margin reads 0.0 % is neither ahead nor behind', () => {
  expect(['0.0 %', '−0.1 %', '+0.1 %', ''].map(sideOf)).toEqual(['none', 'behind', 'ahead', 'none']);
});
