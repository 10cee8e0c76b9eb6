import { expect, test } from 'vitest';
import { readPiece } from '../../ui/parse';
import { pieceWords } from './pieceWords';

test.each([
  ['1700m', '1,700 m'],
  ['12min', '12 minutes'],
  ['1min', '1 minute'],
  ['6x350m/1:15', '6 times 350 m, 1:15 rest: 2,100 m of work'],
  ['6x350/1:15', '6 times 350 m, 1:15 rest: 2,100 m of work'],
  ['5x3min/1:30', '5 times 3 minutes, 1:30 rest: 15 minutes of work'],
  ['4x1:30/45s', '4 times 1:30, 45 s rest: 6 minutes of work'],
  ['3x4x500m/1:00/4:00', '3 times 4 times 500 m, 1:00 rest, 4:00 between sets: 6,000 m of work'],
  ['1000m/2:00+500m', '1,000 m, 2:00 rest, then 500 m: 1,500 m of work'],
  ['2x500m/1:00+3x250m/0:45', '2 times 500 m, 1:00 rest, then 3 times 250 m, 45 s rest: 1,750 m of work'],
  ['2x500m/1:00', '2 times 500 m, 1:00 rest: 1,000 m of work'],
])('%s is read back as %s', (typed, words) => {
  const read = readPiece(typed);
  expect(read.ok ? pieceWords(read.value) : read.says).toBe(words);
});
