import { expect, test } from 'vitest';
import type { PieceSpec } from '../../protocol/decode';
import { readPiece, readTarget } from '../../ui/parse';
import { meantBy, tooFast } from './meant';

function spec(piece: string): PieceSpec {
  const read = readPiece(piece);
  if (!read.ok) throw new Error(read.says);
  return { title: '', repeats: read.value, clock: 'common_go', repeat_start: 'common_signal', count_ms: 10_000, call_sheet: [] };
}

test.each([
  ['6.31', '1700m', '6:31', '6:31 for 1,700 m?'],
  ['6;31', '1700m', '6:31', '6:31 for 1,700 m?'],
  ["6'31.5", '1700m', '6:31.5', '6:31.5 for 1,700 m?'],
  ['631', '1700m', '6:31', '6:31 for 1,700 m?'],
  ['6:5', '1700m', '6:05', '6:05 for 1,700 m?'],
  ['2.03/500', '1700m', '2:03/500m', '2:03 for 500 m?'],
  ['2:03 per 500 m', '1700m', '2:03/500m', '2:03 for 500 m?'],
  ['2:03 split', '12min', '2:03/500m', '2:03 for 500 m?'],
  // Nobody rows 2,100 m in that time.
  ['3:05', '6x350m/1:15', '3:05/500m', '3:05 for 500 m?'],
  ['3100', '12min', '3100m', '3,100 m?'],
  ['2:03', '12min', '2:03/500m', '2:03 for 500 m?'],
])('"%s" for %s was probably %s', (typed, piece, text, says) => expect(meantBy(typed, spec(piece))).toEqual({ typed, text, says }));

test.each([['quick', '1700m'], ['6:71', '1700m'], ['', '1700m'], ['6:31', '1700m'], ['99999999', '12min']])('nothing is made of "%s"', (typed, piece) => {
  const meant = meantBy(typed, spec(piece));
  expect(meant === null || readTarget(meant.text).ok).toBe(true);
  if (typed !== '99999999') expect(meant?.text ?? '').not.toMatch(/^6:31$|NaN/);
});

test('a finish that nobody rows says why', () => {
  const target = { want: 'finish', finish_ms: 185_000 } as const;
  expect(tooFast(target, spec('6x350m/1:15'))).toBe('3:05 for all 2100m would be 0:44.0 for 500 m, faster than anyone rows.');
  expect(tooFast(target, spec('1000m'))).toBe('');
  expect(tooFast({ want: 'pace', per_500m_ms: 1_000 }, spec('1000m'))).toBe('');
});
