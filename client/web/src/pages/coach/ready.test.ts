import { expect, test } from 'vitest';
import type { AthleteView } from '../../protocol/decode';
import { missingOf, readyText } from './ready';

test('what is missing before a start, most hindering first', () => {
  const ready: AthleteView = {
    athlete: 'ida', spec: { name: 'Ida', team: null, heart_limit_bpm: null },
    aim: { target: { want: 'finish', finish_ms: 306_000 }, plan: { profile: 'even' }, history: [] },
    doing: 'here', cautions_read: true, machine: 'Rower 12', clock_bound_ms: 9, heart_rate: false, on_board: 'name',
  };
  expect(missingOf(ready)).toEqual([]);
  expect(missingOf({ ...ready, doing: 'away', machine: null })).toEqual(['not here yet']);
  expect(missingOf({ ...ready, cautions_read: false, machine: null, aim: { ...ready.aim, target: null }, clock_bound_ms: null })).toEqual([
    'has not accepted the cautions', 'no machine linked', 'no target: not ranked', 'clock not set yet',
  ]);
  expect(missingOf({ ...ready, clock_bound_ms: 340 })).toEqual(['clock only right to 0.3 s']);
  expect(missingOf({ ...ready, spec: { ...ready.spec, heart_limit_bpm: 178 } })).toEqual(['heart limit 178, but no heart rate arrives']);
  expect(missingOf({ ...ready, spec: { ...ready.spec, heart_limit_bpm: 178 }, heart_rate: true })).toEqual([]);
});

test('how many are ready, in words', () => {
  expect(readyText(9, 12)).toBe('The other nine are ready.');
  expect(readyText(2, 2)).toBe('Both are ready.');
  expect(readyText(12, 12)).toBe('All twelve are ready.');
  expect(readyText(0, 3)).toBe('Nobody is ready yet.');
  expect(readyText(0, 0)).toBe('');
});
