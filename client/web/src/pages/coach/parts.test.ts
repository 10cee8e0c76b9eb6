import { expect, test } from 'vitest';
import { fetchAll } from './parts';

test('a part that does not come keeps no other from being fetched', async () => {
  const fetched: string[] = [];
  const part = (name: string) => () => {
    fetched.push(name);
    return name === 'second' ? Promise.reject(new Error('the server is away')) : Promise.resolve();
  };
  await fetchAll([part('first'), part('second'), part('third')]);
  expect(fetched).toEqual(['first', 'second', 'third']);
});
