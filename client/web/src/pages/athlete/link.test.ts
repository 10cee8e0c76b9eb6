import { expect, test } from 'vitest';
import { ownLink } from './link';

test('a link is found in what was pasted, with words around it', () => {
  expect(ownLink(' Your link for tonight: https://gym.example/row/KAMURETA#abc-DEF_1 see you')).toBe('https://gym.example/row/KAMURETA#abc-DEF_1');
});

test('what is not a whole link to an athlete’s page opens nothing', () => {
  for (const pasted of ['', 'KAMU RETA', 'https://gym.example/row/KAMURETA', 'https://gym.example/coach/KAMURETA#abc', 'https://gym.example/row/#abc', 'javascript:alert(1)//row/KAMURETA#a']) {
    expect([pasted, ownLink(pasted)]).toEqual([pasted, null]);
  }
});
