import { expect, test } from 'vitest';
import { isOwn, keepOwnKey, ownKey, whose } from './own';

function shelf(): { getItem: (name: string) => string | null; setItem: (name: string, value: string) => void; removeItem: (name: string) => void } {
  const kept = new Map<string, string>();
  return { getItem: (name) => kept.get(name) ?? null, setItem: (name, value) => void kept.set(name, value), removeItem: (name) => void kept.delete(name) };
}

test('a device is nobody’s before a card was used, and when its key was ended', async () => {
  const here = shelf();
  expect(await whose(here, () => Promise.reject(new Error('must not be asked')))).toBe('');
  keepOwnKey(here, 'the-key');
  expect(await whose(here, () => Promise.resolve(new Response('{"detail":"ended"}', { status: 401 })))).toBe('');
  expect(await whose(here, () => Promise.resolve(new Response('{"role":"person","person":{"called":"Ana Lima"}}')))).toBe('Ana Lima');
  keepOwnKey(here, '');
  expect(ownKey(here)).toBe('');
});

test('a name is the owner’s however it is typed, and nobody’s device is nobody’s', () => {
  expect(isOwn(' ana  LIMA', 'Ana Lima')).toBe(true);
  expect(isOwn('Ana', 'Ana Lima')).toBe(false);
  expect(isOwn('', '')).toBe(false);
});
