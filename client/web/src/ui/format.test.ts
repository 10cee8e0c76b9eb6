// The cases are those of protocol/src/typed and client/src/table.rs: both read and write the same.
import { describe, expect, test } from 'vitest';
import type { Margin } from '../protocol/decode';
import { clockText, distanceText, durationText, marginText, paceText, pieceText, projectedText, targetText, timeText, wholeMarginText } from './format';
import { readDistance, readPiece, readTarget, readTime } from './parse';

const inSeconds = (ppm: number, ms: number): Margin => ({ margin_ppm: ppm, margin_ms: ms, margin_dm: null });
const inMetres = (ppm: number, dm: number): Margin => ({ margin_ppm: ppm, margin_ms: null, margin_dm: dm });

describe('times', () => {
  test.each([
    [119_970, '2:00.0'],
    [59_960, '1:00.0'],
    [391_500, '6:31.5'],
    [3_723_400, '1:02:03.4'],
    [49, '0:00.0'],
  ])('%d ms is %s: rounded once, carried into the minute', (ms, text) => expect(timeText(ms)).toBe(text));

  test('tenths only where there are any', () => expect(timeText(3_599_960, 'if_any')).toBe('1:00:00'));
  test('paces', () => expect(paceText(112_440)).toBe('1:52.4/500m'));
  test('a clock shows whole seconds', () => expect([9, 391, 3_723].map(clockText)).toEqual(['0:09', '6:31', '1:02:03']));

  test.each([
    ['6:31.5', 391_500],
    ['1:02:03.4', 3_723_400],
    ['45s', 45_000],
    ['12min', 720_000],
    ['1h5min30s', 3_930_000],
    ['0:20.25', 20_250],
    [' 1:15 ', 75_000],
    ['7.5min', 450_000],
  ])('%s is read', (typed, ms) => expect(readTime(typed)).toEqual({ ok: true, value: ms }));

  test.each(['', '6:71', '6:5', 'x', '12m', '-1:00', '1:-5', 's30', '1e3s', '1:60:00', '75', '9999999h'])(
    '"%s" is answered by what to type',
    (typed) => expect(readTime(typed)).toMatchObject({ ok: false, says: expect.stringContaining('1:15') }),
  );
});

describe('distances', () => {
  test.each([['1700m', 17_000], ['5km', 50_000], ['1.25km', 12_500], ['12.3m', 123]])('%s', (typed, dm) =>
    expect(readDistance(typed)).toEqual({ ok: true, value: dm }),
  );
  test.each(['1700', 'm', '-5m', '9999999km', '12min'])('"%s" is none', (typed) =>
    expect(readDistance(typed)).toMatchObject({ ok: false, says: expect.stringContaining('1700m') }),
  );
  test('tenths only when there are any', () => expect([17_000, 123].map(distanceText)).toEqual(['1700m', '12.3m']));
});

test('margins say ahead with a plus, and what rounds to nothing has no sign', () => {
  expect(marginText(inSeconds(11_111, 4_000), 'share')).toBe('+1.1 %');
  expect(marginText(inSeconds(-2_500, -1_249), 'amount')).toBe('−1.2 s');
  expect(marginText(inSeconds(-400, -40), 'share')).toBe('0.0 %');
  expect(marginText(inMetres(3, 124), 'amount')).toBe('+12.4 m');
  expect(wholeMarginText(inSeconds(0, -3_499))).toBe('−3 s');
  expect(wholeMarginText(inSeconds(0, 499))).toBe('0 s');
  expect(wholeMarginText(inMetres(0, 126))).toBe('+13 m');
});

test('a projection says how sure it is', () => {
  const finish = (finish_ms: number) => ({ want: 'finish', finish_ms }) as const;
  const distance = (m: number) => ({ want: 'distance', distance_dm: m * 10 }) as const;
  expect(projectedText({ finish: finish(546_100), low: finish(543_000), high: finish(549_400), chance_permille: null })).toBe('9:06.1 ± 3.2 s');
  expect(projectedText({ finish: distance(3_120), low: distance(3_120), high: distance(3_120), chance_permille: null })).toBe('3120m');
  const late = { finish: finish(190_900), low: finish(183_200), high: finish(198_800), chance_permille: null };
  expect([projectedText(late), projectedText(late, 'whole')]).toEqual(['3:10.9 ± 7.8 s', '3:11 ± 8 s']);
  expect(projectedText({ ...late, low: late.finish, high: late.finish }, 'whole')).toBe('3:11');
});

describe('targets', () => {
  test.each(['6:31.5', '1:52.4/500m', '4120m'])('%s is read and written in the same words', (typed) => {
    const target = readTarget(typed);
    expect(target.ok && targetText(target.value)).toBe(typed);
  });
  test.each(['', 'fast', '6.31.5', 'x/500m', '391'])('"%s" is none', (typed) =>
    expect(readTarget(typed)).toMatchObject({ ok: false, says: expect.stringContaining('1:52.4/500m') }),
  );
});

describe('pieces', () => {
  test.each(['1700m', '12min', '6x350m/1:15', '3x4x500m/1min/4min', '500m/1min+400m/1min+300m', '2x500m/1min+3x250m/0:45', '5x3min/1:30', '1:30'])(
    '%s is read and written in the same words',
    (typed) => {
      const piece = readPiece(typed);
      expect(piece.ok && pieceText(piece.value)).toBe(typed);
    },
  );
  test('sets that are none are written as what they are', () => {
    const piece = readPiece('2x5x200m/30s');
    expect(piece.ok && pieceText(piece.value)).toBe('10x200m/0:30');
  });
  test.each([
    ['', 'type one like 1700m'],
    ['boat', 'type one like 1700m'],
    ['6x350m', '6x350m/1:15'],
    ['0x350m/1:00', 'begin with 1x'],
    ['6x350m/75', '75s'],
    ['6x350m/1:00/4:00', 'two are for sets'],
    ['61x100m/10s', 'at most 60'],
    ['500m/1:00+2min', 'all by distance or all by time'],
    ['2x2x2x100m/1:00', 'type one like 1700m'],
    ['500m++500m', 'type one like 1700m'],
  ])('"%s" is answered by what to type', (typed, says) => expect(readPiece(typed)).toMatchObject({ ok: false, says: expect.stringContaining(says) }));
});

test('lengths of time', () => expect([720_000, 75_000, 20_250].map(durationText)).toEqual(['12min', '1:15', '0:20.25']));
