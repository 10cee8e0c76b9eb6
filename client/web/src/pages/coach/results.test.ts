import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import type { AthleteResult, AthleteView, Phase, PieceView } from '../../protocol/decode';
import { outcomeText } from '../../ui/words';
import { calibrationText, inOrder, remarksText, resultText, splitsShown } from './results';

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

test('who did not start comes last and has no result', () => {
  const none: AthleteResult = { ...bo, athlete: 'uma', outcome: 'did_not_start' };
  expect(inOrder([none, bo, base]).map(({ athlete }) => athlete)).toEqual(['ida', 'bo', 'uma']);
  expect(resultText(none)).toBe('');
});

type Case = Pick<AthleteResult, 'outcome' | 'marks'> & { readonly phase: Phase; readonly says: string; readonly remarks: string };

test('a result is told in the words of the table that the server writes', () => {
  const cases: readonly Case[] = JSON.parse(readFileSync(new URL('../../../../../protocol/cases/results.json', import.meta.url), 'utf8'));
  expect(cases.length).toBeGreaterThan(5);
  for (const { outcome, marks, phase, says, remarks } of cases) {
    const [result, of] = [{ ...base, outcome, marks }, { ...piece, phase }];
    expect(outcomeText(result, of)).toBe(says);
    expect(remarksText(result, of, undefined)).toBe([outcome === 'finished' ? '' : says, remarks].filter((text) => text !== '').join('; '));
  }
});

test('of who was cut off it is told where they were heading', () => {
  const cut: AthleteResult = { ...bo, outcome: 'unfinished', estimate: { want: 'finish', finish_ms: 370_200 } };
  expect(remarksText(cut, piece, undefined)).toContain('was heading for 6:10.2');
  expect(remarksText(bo, piece, undefined)).not.toContain('heading');
});

test('a split that was not rowed to its end says how much of it was', () => {
  const stopped: AthleteResult = { ...bo, splits: [{ distance_dm: 4_249, time_ms: 80_000 }, { distance_dm: 2_100, time_ms: 41_200 }] };
  expect(splitsShown(stopped, piece)).toEqual(['1:20.0', '210m in 0:41.2']);
  // For somebody who finished, every split is whole.
  expect(splitsShown({ ...stopped, outcome: 'finished' }, piece)).toEqual(['1:20.0', '0:41.2']);
  const time = { by: 'time', time_ms: 180_000 } as const;
  const byTime: PieceView = { ...piece, spec: { ...piece.spec, repeats: [{ work: time, rest_ms: 60_000 }, { work: time, rest_ms: 0 }] } };
  expect(splitsShown({ ...stopped, splits: [{ distance_dm: 7_204, time_ms: 180_000 }, { distance_dm: 1_800, time_ms: 45_000 }] }, byTime)).toEqual(['720m', '180m in 0:45.0']);
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
