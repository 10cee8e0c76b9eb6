import { expect, test } from 'vitest';
import type { AthleteResult, AthleteView, PieceView } from '../../protocol/decode';
import { calibrationText, cell, csvOf, fileName, inOrder, remarksText, resultText, splitsShown } from './results';

const base: AthleteResult = {
  athlete: 'ida', outcome: 'finished', place: 1, target: { want: 'finish', finish_ms: 306_000 }, time_ms: 305_412, distance_dm: 17_000, sure_ms: 300, sure_dm: null,
  shown: { want: 'finish', finish_ms: 305_400 }, margin: { margin_ppm: 1_961, margin_ms: 600, margin_dm: null }, estimate: null,
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

test('of who was cut off it is told where they were heading', () => {
  const cut: AthleteResult = { ...bo, outcome: 'unfinished', estimate: { want: 'finish', finish_ms: 370_200 } };
  expect(remarksText(cut, piece, undefined)).toContain('was heading for 6:10.2');
  expect(remarksText(bo, piece, undefined)).not.toContain('heading');
});

test('a split that was not rowed to its end says how much of it was', () => {
  const stopped: AthleteResult = { ...bo, splits: [{ distance_dm: 4_249, time_ms: 80_000 }, { distance_dm: 2_100, time_ms: 41_200 }] };
  expect(splitsShown(stopped, piece)).toEqual(['1:20.0', '210m in 0:41.2']);
  // Of one who finished every split is whole.
  expect(splitsShown({ ...stopped, outcome: 'finished' }, piece)).toEqual(['1:20.0', '0:41.2']);
  const time = { by: 'time', time_ms: 180_000 } as const;
  const byTime: PieceView = { ...piece, spec: { ...piece.spec, repeats: [{ work: time, rest_ms: 60_000 }, { work: time, rest_ms: 0 }] } };
  expect(splitsShown({ ...stopped, splits: [{ distance_dm: 7_204, time_ms: 180_000 }, { distance_dm: 1_800, time_ms: 45_000 }] }, byTime)).toEqual(['720m', '180m in 0:45.0']);
});

test('the table has the same word as the screen for who did not row to the end, and it says why', () => {
  const stopped: PieceView = { ...piece, phase: { phase: 'stopped', go_at_ms: 0, stopped_at_ms: 90_000 } };
  const told = (result: AthleteResult, of: PieceView): string[] => {
    const [, row = ''] = csvOf([{ ...of, results: [result] }], [view('bo', 'Bo', null)]).split('\r\n');
    return [remarksText(result, of, view('bo', 'Bo', null)), row.split(',')[5] ?? '', row.split(',').at(-1) ?? ''];
  };
  expect(told(bo, piece)).toEqual(['stopped', 'stopped', '']);
  expect(told({ ...bo, outcome: 'unfinished' }, stopped)).toEqual(['stopped', 'stopped', '']);
  // Closed while they rowed: they have not stopped.
  expect(told({ ...bo, outcome: 'unfinished' }, piece)).toEqual(['unfinished', 'unfinished', '']);
  expect(told({ ...bo, outcome: 'unfinished', marks: ['gaps', 'repeats_missed'] }, piece)).toEqual([
    'missed repeats; some samples are missing; the totals are right', 'missed repeats', 'some samples are missing; the totals are right',
  ]);
  expect(told({ ...bo, outcome: 'stopped', marks: ['repeats_missed'] }, piece)).toEqual(['stopped; not all repeats rowed', 'stopped', 'not all repeats rowed']);
});

test('a demo rower is named', () => {
  const ida = view('ida', 'Ida', null);
  expect(remarksText({ ...base, marks: [] }, piece, ida)).toBe('');
  for (const machine of ['simulated', 'simulated, at home', 'demo rower (made up)']) expect(remarksText({ ...base, marks: [] }, piece, { ...ida, machine }), machine).toBe('made up by a demo rower');
  expect(remarksText({ ...base, marks: [] }, piece, { ...ida, machine: 'Rower 12' })).toBe('');
  expect(remarksText(bo, piece, { ...ida, machine: 'simulated' })).toBe('stopped; made up by a demo rower');
});

test('how far projections can be trusted is said from thirty finishes on', () => {
  const known = { model: 'm', finishes: 29, intervals: 87, held: 70, chances: 0, made: 0, chance_permille: 0, width_permille: 1_000, says: 'Of 87 ranges …' };
  expect(calibrationText(known)).toBe('');
  expect(calibrationText({ ...known, finishes: 30, intervals: 90, held: 75 })).toBe('Of 30 finishes so far, 83% came within the range that was shown on the way; 80% are meant to.');
});
