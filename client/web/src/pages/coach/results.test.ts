import { expect, test } from 'vitest';
import type { AthleteResult, AthleteView, PieceView } from '../../protocol/decode';
import { cell, csvOf, fileName, inOrder, resultText } from './results';

const base: AthleteResult = {
  athlete: 'ida', outcome: 'finished', place: 1, target: { want: 'finish', finish_ms: 306_000 }, time_ms: 305_412, distance_dm: 17_000, sure_ms: 300, sure_dm: null,
  shown: { want: 'finish', finish_ms: 305_400 }, margin: { margin_ppm: 1_961, margin_ms: 600, margin_dm: null },
  splits: [{ distance_dm: 4_250, time_ms: 76_000 }, { distance_dm: 4_250, time_ms: 76_900 }], strokes: 141, marks: ['gaps'],
};
const bo: AthleteResult = {
  ...base, athlete: 'bo', outcome: 'stopped', place: null, time_ms: 92_300, distance_dm: 4_237, shown: null, margin: null, splits: [], strokes: null, marks: [],
};
const view = (athlete: string, name: string, team: string | null): AthleteView => ({
  athlete, spec: { name, team, heart_limit_bpm: null }, aim: { target: null, plan: { profile: 'even' }, history: [] },
  doing: 'finished', cautions_read: true, machine: null, clock_bound_ms: null, heart_rate: false, on_board: 'name',
});
const piece: PieceView = {
  piece: 0,
  spec: { title: 'Seventeen hundred', repeats: [{ work: { by: 'distance', distance_dm: 17_000 }, rest_ms: 0 }], clock: 'common_go', repeat_start: 'common_signal', count_ms: 10_000, call_sheet: [] },
  phase: { phase: 'finished', go_at_ms: 0 },
  results: [bo, base],
};

test('a table to keep: placed first, everybody who rowed in it, and what they wanted, of those who stopped too', () => {
  expect(csvOf([piece], [view('ida', 'Fenn, Ida', 'Heron'), view('bo', 'Bo Quist', null)]).split('\r\n')).toEqual([
    'piece,title,place,name,team,outcome,result,time_ms,distance_dm,target,margin,margin_ppm,strokes,splits,remarks',
    '1700m,Seventeen hundred,1,"Fenn, Ida",Heron,finished,5:05.4,305412,17000,5:06.0,+0.6 s,1961,141,1:16.0 1:16.9,some samples are missing; the totals are right',
    '1700m,Seventeen hundred,,Bo Quist,,stopped,423m in 1:32.3,92300,4237,5:06.0,,,,,',
    '',
  ]);
});

test('who did not start comes last and has no result', () => {
  const none: AthleteResult = { ...bo, athlete: 'uma', outcome: 'did_not_start' };
  expect(inOrder([none, bo, base]).map(({ athlete }) => athlete)).toEqual(['ida', 'bo', 'uma']);
  expect(resultText(none)).toBe('');
});

// OWASP, CSV injection: what begins with =, +, -, @, tab or return is taken for a formula.
test('a name is never a formula, a number stays one', () => {
  expect(['=1+1', '@here', '+cmd', '-cmd', '-0.6', '+0.6 s', 'a"b', 7].map((value) => cell(value))).toEqual([
    "'=1+1", "'@here", "'+cmd", "'-cmd", '-0.6', '+0.6 s', '"a""b"', '7',
  ]);
});

test('the file has a name that every system takes', () => {
  expect(fileName('Wednesday at Lántern Quay!', 'results')).toBe('wednesday-at-la-ntern-quay-results.csv');
  expect(fileName('???', 'links')).toBe('session-links.csv');
});
