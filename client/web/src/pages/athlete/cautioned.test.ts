import { expect, test } from 'vitest';
import { hasRead, noteRead } from './cautioned';

const DAY = 86_400_000;
const NOW = 20_000 * DAY;

function shelf(first: string | null = null) {
  let kept = first;
  return { getItem: () => kept, setItem: (_: string, text: string) => void (kept = text), text: () => kept ?? '' };
}

test('who has read them is not asked again for ninety days, by their name and on this device', () => {
  const here = shelf();
  expect(hasRead(here, 'Ana Quill', NOW)).toBe(false);
  noteRead(here, 'Ana Quill', NOW);
  expect(hasRead(here, ' ana  QUILL ', NOW)).toBe(true);
  expect(hasRead(here, 'Bo', NOW)).toBe(false);
  expect(hasRead(here, 'Ana Quill', NOW + 90 * DAY - 1)).toBe(true);
  expect(hasRead(here, 'Ana Quill', NOW + 90 * DAY)).toBe(false);
  expect(hasRead(shelf(), 'Ana Quill', NOW)).toBe(false);
});

test('another wording, a clock that was set back and damage are read anew', () => {
  const here = shelf();
  noteRead(here, 'Ana', NOW);
  expect(hasRead(here, 'Ana', NOW - 1)).toBe(false);
  expect(hasRead(shelf(here.text().replace('"wording":1', '"wording":0')), 'Ana', NOW)).toBe(false);
  for (const text of ['', '[]', '{"read":3}', '{"read":[null,7,{"who":5}]}']) expect([text, hasRead(shelf(text), 'Ana', NOW)]).toEqual([text, false]);
});

test('a device that many use keeps the newest, each once', () => {
  const here = shelf();
  for (let nth = 0; nth < 70; nth++) noteRead(here, `Rower ${nth}`, NOW + nth);
  noteRead(here, 'Rower 69', NOW + 70);
  expect([19, 20, 69].map((nth) => hasRead(here, `Rower ${nth}`, NOW + 99))).toEqual([false, true, true]);
  expect(here.text().split('"who"').length - 1).toBe(50);
});
