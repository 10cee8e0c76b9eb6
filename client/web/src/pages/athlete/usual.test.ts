import { expect, test } from 'vitest';
import type { AthleteResult, PieceSpec, PieceView } from '../../protocol/decode';
import { readPiece } from '../../ui/parse';
import { beginners, example, suggested } from './usual';

function spec(text: string): PieceSpec {
  const read = readPiece(text);
  if (!read.ok) throw new Error(read.says);
  return { title: '', repeats: read.value, clock: 'common_go', repeat_start: 'common_signal', count_ms: 10_000, call_sheet: [] };
}

function piece(text: string, result: Partial<AthleteResult> | null = null): PieceView {
  const whole: AthleteResult = {
    athlete: 'a', outcome: 'finished', place: null, target: null, time_ms: 0, distance_dm: 0, sure_ms: null, sure_dm: null,
    shown: null, estimate: null, margin: null, splits: [], strokes: null, marks: [],
  };
  return { piece: 0, spec: spec(text), phase: { phase: 'gathering' }, results: result === null ? [] : [{ ...whole, ...result }] };
}

test('the last result in the same piece is what is usual', () => {
  const aim = { target: null, plan: { profile: 'even' as const }, history: [{ days_ago: 9, result: { want: 'finish' as const, finish_ms: 391_500 } }] };
  expect(suggested(piece('1700m'), aim, [])).toMatchObject({ target: { want: 'finish', finish_ms: 391_500 } });
});

test('another length is told from a result of today by the law of best efforts', () => {
  // The source's own constant: twice the distance takes 2^1.06 = 2.0849 times as long (Riegel 1981).
  const rowed = piece('850m', { time_ms: 200_000, distance_dm: 8_500 });
  expect(suggested(piece('1700m'), null, [rowed])).toMatchObject({ target: { want: 'finish', finish_ms: 417_000 } });
  // And back: twice the time goes 2^(1/1.06) = 1.9231 times as far.
  const timed = piece('6min', { time_ms: 360_000, distance_dm: 15_000 });
  expect(suggested(piece('12min'), null, [timed])).toMatchObject({ target: { want: 'distance', distance_dm: 28_850 } });
});

test('who did not finish suggests nothing', () => {
  const left = piece('850m', { outcome: 'stopped', time_ms: 100_000, distance_dm: 4_000 });
  expect(suggested(piece('1700m'), null, [left])).toBeNull();
});

test('a beginner is given a range in the unit of the piece', () => {
  expect(beginners(spec('1700m'))).toContain('7:22 to 9:04');
  expect(beginners(spec('12min'))).toContain('2250m to 2769m');
  expect(beginners(spec('500m'))).toBe('Many begin with 2:10 to 2:40 for 500 m. Better a little slower than you think.');
  expect(example(spec('6x350m/1:15'))).toBe('10:09');
});
