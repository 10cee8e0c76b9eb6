// Against the table that protocol/README.md gives to anybody who writes a client.
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { advice } from './close';

const table = readFileSync(new URL('../../../../protocol/README.md', import.meta.url), 'utf8');
const rows = [...table.matchAll(/^\| (\d{4}) \| (\w+) \| (reconnect|stop) \|/gm)].map(([, code, name, what]) => ({
  code: Number(code),
  name,
  what,
}));

test('the table has been found', () => expect(rows.length).toBeGreaterThanOrEqual(13));
test.each(rows)('$code $name: $what', ({ code, what }) => expect(advice(code)).toBe(what));
test.each([null, 1005, 1006, 4499, 5000])('%s, which is in no table: come back', (code) => expect(advice(code)).toBe('reconnect'));
