// The README shows the pages as they are: its pictures are those that `npm run pictures` takes, and all of them are there.
import { readFileSync, readdirSync, statSync } from 'node:fs';
import { expect, test } from 'vitest';
import { BYTES_MAX, FILES, FOLDER, README } from './pictures';

test('the command takes every picture that the README names, and the README shows each that it takes', () => {
  const named = [...readFileSync(README, 'utf8').matchAll(/(?:src|srcset)="client\/web\/pictures\/([^"]+)"/g)].map(([, file]) => file ?? '');
  expect([...new Set(named)].sort()).toEqual([...FILES].sort());
});

test('every picture is there, is one, and is small', () => {
  expect(readdirSync(FOLDER).sort()).toEqual([...FILES].sort());
  for (const file of FILES) {
    // RIFF container of WebP (RFC 9649 section 2.4).
    const head = readFileSync(`${FOLDER}${file}`).subarray(0, 12).toString('latin1');
    expect([head.slice(0, 4), head.slice(8)], file).toEqual(['RIFF', 'WEBP']);
    expect(statSync(`${FOLDER}${file}`).size, file).toBeLessThan(BYTES_MAX);
  }
});
