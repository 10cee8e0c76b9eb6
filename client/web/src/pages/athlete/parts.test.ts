import { expect, test } from 'vitest';
import { part } from './parts';

test('a part is loaded once, however often it is needed', async () => {
  let asked = 0;
  const load = part(async () => (asked += 1));
  expect(await Promise.all([load(), load()])).toEqual([1, 1]);
  expect(await load()).toBe(1);
});

test('a part that could not be had is asked for again by whoever needs it next', async () => {
  let asked = 0;
  const load = part(async () => {
    asked += 1;
    if (asked === 1) throw new Error('offline');
    return asked;
  });
  await expect(load()).rejects.toThrow('offline');
  expect(await load()).toBe(2);
});
