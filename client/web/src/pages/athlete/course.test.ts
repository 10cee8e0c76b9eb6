import { expect, test } from 'vitest';
import type { Own, PieceSpec } from '../../protocol/decode';
import { readPiece } from '../../ui/parse';
import { anchored, atGo, carried, enough, goal, nextRepeat, openGoal, paceOf, way } from './course';

function spec(text: string): PieceSpec {
  const read = readPiece(text);
  if (!read.ok) throw new Error(read.says);
  return { title: '', repeats: read.value, clock: 'common_go', repeat_start: 'common_signal', count_ms: 10_000, call_sheet: [] };
}

const OWN: Own = {
  piece: 0, doing: 'rowing', place: 1, margin: null, against_target: null, projected: null, done_dm: 6_000, elapsed_ms: 150_000, repeat: 0,
  pace_per_500m_ms: null, enough_per_500m_ms: null, call_strokes_left: null,
};

test('of a single stretch the server means an instant that is known', () => {
  const rowing = { phase: 'rowing', go_at_ms: 1_000, repeat: 0, repeat_at_ms: 1_000 } as const;
  // The device's clock is 500 ms behind; the word came 300 ms after the report that it is about.
  expect(anchored(OWN, rowing, spec('1700m'), 150_800, (ms) => ms - 500).ms).toBe(150_500);
  expect(anchored(OWN, rowing, spec('2x850m/1:00'), 150_800, (ms) => ms - 500).ms).toBe(150_800);
});

test('what is left goes on without the server, and ends at nought', () => {
  const anchor = { ms: 0, done_dm: 6_000, elapsed_ms: 150_000, repeat: 0 };
  expect(way(anchor, spec('1700m'), 500, 12_500)).toMatchObject({ done_dm: 6_500, elapsed_ms: 162_500, left: { dm: 10_500 }, repeatDone: false });
  expect(way(anchor, spec('1700m'), 99_999, 1).repeatDone).toBe(true);
  expect(way(anchor, spec('3min'), 500, 40_000)).toMatchObject({ elapsed_ms: 180_000, left: { ms: 0 }, repeatDone: true });
});

test('a repeat ends at its own length, and the next begins there', () => {
  const first = way(atGo(0), spec('3x350m/1:00'), 3_600, 90_000);
  expect(first).toMatchObject({ done_dm: 3_500, leftOfRepeat: { dm: 0 }, left: { dm: 7_000 }, repeatDone: true });
  const second = nextRepeat(atGo(0), first, 150_000);
  expect(way(second, spec('3x350m/1:00'), 100, 5_000)).toMatchObject({ done_dm: 3_600, leftOfRepeat: { dm: 3_400 }, repeatDone: false });
});

test('the pace that is enough spends the time that is left on the way that is left', () => {
  const now = way({ ms: 0, done_dm: 7_000, elapsed_ms: 180_000, repeat: 0 }, spec('1700m'), 0, 0);
  // 420 s for 1700 m, 180 s gone, 1000 m to go: 240 s, 2:00 per 500 m.
  expect(enough({ want: 'finish', finish_ms: 420_000 }, spec('1700m'), now)).toBe(120_000);
  expect(enough(null, spec('1700m'), now)).toBeNull();
  expect(enough({ want: 'finish', finish_ms: 170_000 }, spec('1700m'), now)).toBeNull();
  // 40 s for 1000 m: nobody rows that, so it is not shown. 7.5 m/s, 66.7 s per 500 m, is faster than the mark over 500
  // m.
  expect(enough({ want: 'finish', finish_ms: 220_000 }, spec('1700m'), now)).toBeNull();
  expect(enough({ want: 'finish', finish_ms: 313_000 }, spec('1700m'), now)).toBeNull();
  expect(enough({ want: 'finish', finish_ms: 313_400 }, spec('1700m'), now)).toBe(66_700);
  // Over 2000 m and more, 6.3 m/s.
  const far = way({ ms: 0, done_dm: 7_000, elapsed_ms: 180_000, repeat: 0 }, spec('2700m'), 0, 0);
  expect(enough({ want: 'finish', finish_ms: 495_000 }, spec('2700m'), far)).toBeNull();
  expect(enough({ want: 'finish', finish_ms: 500_000 }, spec('2700m'), far)).toBe(80_000);
  const timed = way({ ms: 0, done_dm: 15_000, elapsed_ms: 360_000, repeat: 0 }, spec('12min'), 0, 0);
  expect(enough({ want: 'distance', distance_dm: 33_000 }, spec('12min'), timed)).toBe(100_000);
});

test('a target by pace is a finish or a distance of the whole work', () => {
  expect(goal({ want: 'pace', per_500m_ms: 120_000 }, spec('6x350m/1:15'))).toBe(504_000);
  expect(goal({ want: 'pace', per_500m_ms: 120_000 }, spec('12min'))).toBe(30_000);
});

test('a target that nobody can reach any more gives way to the best result of before that still can be', () => {
  const now = way({ ms: 0, done_dm: 7_000, elapsed_ms: 300_000, repeat: 0 }, spec('1700m'), 0, 0);
  const finish = (finish_ms: number) => ({ want: 'finish', finish_ms }) as const;
  const past = [finish(420_000), finish(540_000), finish(430_000), finish(600_000)];
  // 240 s for 1000 m.
  expect(openGoal(finish(400_000), past, spec('1700m'), now)).toEqual({ goal: finish(540_000), per_500m_ms: 120_000 });
  expect(openGoal(finish(510_000), past, spec('1700m'), now)).toEqual({ goal: null, per_500m_ms: 105_000 });
  expect(openGoal(finish(400_000), [], spec('1700m'), now)).toBeNull();
  expect(openGoal(null, past, spec('1700m'), now)).toBeNull();
});

test('the mean pace of a target, whichever way it is told', () => {
  expect(paceOf({ want: 'finish', finish_ms: 408_000 }, spec('1700m'))).toBe(120_000);
  expect(paceOf({ want: 'finish', finish_ms: 504_000 }, spec('6x350m/1:15'))).toBe(120_000);
  expect(paceOf({ want: 'distance', distance_dm: 30_000 }, spec('12min'))).toBe(120_000);
  expect(paceOf({ want: 'pace', per_500m_ms: 121_300 }, spec('12min'))).toBe(121_300);
  expect(paceOf(null, spec('12min'))).toBeNull();
});

test('while the server is away the rest goes as it was thought to: faster than that is gained', () => {
  const anchor = { ms: 0, done_dm: 7_000, elapsed_ms: 180_000, repeat: 0 };
  const finish = { want: 'finish', finish_ms: 430_000 } as const;
  // 25 s for each 100 m were expected; 100 m in 25 s change nothing, in 24 s gain one.
  expect(carried(finish, anchor, way(anchor, spec('1700m'), 1_000, 25_000), spec('1700m'))).toBe(430_000);
  expect(carried(finish, anchor, way(anchor, spec('1700m'), 1_000, 24_000), spec('1700m'))).toBe(429_000);
  const timed = { ms: 0, done_dm: 15_000, elapsed_ms: 360_000, repeat: 0 };
  expect(carried({ want: 'distance', distance_dm: 30_000 }, timed, way(timed, spec('12min'), 500, 10_000), spec('12min'))).toBeCloseTo(30_083.3, 1);
});
