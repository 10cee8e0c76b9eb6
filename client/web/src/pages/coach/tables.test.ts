import { expect, test } from 'vitest';
import type { ServerMsg } from '../../protocol/decode';
import { welcome } from '../../session/faked';
import { Tables } from './tables';

const part = (command: string, csv: string): ServerMsg => ({ type: 'results_table', command, csv });
const done = (command: string): ServerMsg => ({ type: 'done', command });

function hears(tables: Tables, msgs: readonly ServerMsg[]) {
  return msgs.map((msg) => tables.hear({ news: 'said', msg })).filter((table) => table !== null);
}

test('a table is whole when its last part is here, whatever comes between them', () => {
  const tables = new Tables();
  tables.want('a', 'evening.csv');
  tables.want('b', 'morning.csv');
  const told = hears(tables, [part('a', 'row,na'), part('b', 'row'), done('other'), part('a', 'me\r\n'), part('c', 'of nobody'), done('a'), done('c')]);
  expect(told).toEqual([{ name: 'evening.csv', csv: 'row,name\r\n' }]);
  // Only once.
  expect(hears(tables, [done('a'), done('b')])).toEqual([{ name: 'morning.csv', csv: 'row' }]);
});

test('after a lost connection it comes from the beginning, and one that is refused not at all', () => {
  const tables = new Tables();
  tables.want('a', 'evening.csv');
  tables.want('b', 'morning.csv');
  hears(tables, [part('a', 'row,na')]);
  tables.hear({ news: 'welcome', msg: welcome() });
  const refused: ServerMsg = { type: 'refused', command: 'b', refusal: { why: 'limit', says: 'Too long.' } };
  expect(hears(tables, [refused, part('a', 'row,name\r\n'), done('b'), done('a')])).toEqual([{ name: 'evening.csv', csv: 'row,name\r\n' }]);
});
