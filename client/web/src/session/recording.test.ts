import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import type { Sample } from '../protocol/decode';
import { recallRowed, recorded, rememberRowed, type Recorded, type Whose } from './recording';

interface Case {
  readonly name: string;
  readonly whose: Whose;
  readonly samples: readonly Sample[];
  readonly recorded: Recorded;
}

// The Rust client writes by the same table, and both programs that read recorded pieces read it.
const table = readFileSync(new URL('../../../../protocol/cases/saved.json', import.meta.url), 'utf8');
const cases: readonly Case[] = JSON.parse(table);

test.each(cases.map((of) => [of.name, of] as const))('%s', (_, { whose, samples, recorded: expected }) => {
  expect(recorded(whose, samples)).toEqual(expected);
  expect(recorded(whose, samples.toReversed())).toEqual(expected);
});

test('where nothing was rowed there is nothing to keep', () => {
  const whose = { id: 'Ana', group: 'KAMURETA', repeats: [], target: null, go_at_ms: 5_000 };
  expect(recorded(whose, [])).toBeNull();
  expect(recorded(whose, [{ seq: 1, heard_ms: 4_000, distance_dm: 70 }])).toBeNull();
});

test('who rows what outlives the page; what is not understood is nobody', () => {
  const kept = new Map<string, string>();
  const shelf = { getItem: (name: string) => kept.get(name) ?? null, setItem: (name: string, value: string) => void kept.set(name, value), removeItem: (name: string) => void kept.delete(name) };
  const whose = cases[0]?.whose;
  if (whose === undefined) throw new Error('the table is empty');
  rememberRowed(shelf, 'KAMURETA', whose);
  expect(recallRowed(shelf, 'KAMURETA')).toEqual(whose);
  expect(recallRowed(shelf, 'HALEDUVO').id).toBe('athlete');
  shelf.setItem('thole rowed KAMURETA', '{"id":3}');
  expect(recallRowed(shelf, 'KAMURETA')).toMatchObject({ id: 'athlete', repeats: [] });
});
