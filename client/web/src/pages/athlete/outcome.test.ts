import { expect, test } from 'vitest';
import type { AthleteResult, Phase, PieceSpec, PieceView } from '../../protocol/decode';
import { result, spec } from './faked';
import { became, nextText } from './outcome';

const OVER: Phase = { phase: 'finished', go_at_ms: 0 };
const CLOSING: Phase = { phase: 'closing', go_at_ms: 0 };
const finish = (finish_ms: number) => ({ want: 'finish', finish_ms }) as const;
const at = (distance_dm: number) => ({ want: 'distance', distance_dm }) as const;

function says(outcome: AthleteResult['outcome'], piece: PieceSpec, change: Partial<AthleteResult> = {}, phase: Phase = OVER): string {
  return became({ ...result(outcome), ...change }, { spec: piece, phase });
}

test('who has finished reads in what, and how that is against their own target', () => {
  const ahead = { margin_ppm: 9_393, margin_ms: 4_100, margin_dm: null };
  expect(says('finished', spec('1700m'), { shown: finish(432_300), margin: ahead })).toBe('You finished in 7:12.3, 4.1 s ahead of your target.');
  expect(says('finished', spec('1700m'), { shown: finish(432_300), margin: { margin_ppm: -231, margin_ms: -100, margin_dm: null } })).toBe(
    'You finished in 7:12.3, 0.1 s behind your target.',
  );
  expect(says('finished', spec('1700m'), { shown: finish(432_300), margin: { margin_ppm: 0, margin_ms: 0, margin_dm: null } })).toBe('You finished in 7:12.3, exactly on your target.');
  expect(says('finished', spec('1700m'), { shown: finish(432_300) })).toBe('You finished in 7:12.3.');
  const further = { margin_ppm: 3_800, margin_ms: null, margin_dm: 120 };
  expect(says('finished', spec('12min'), { shown: at(31_040), margin: further })).toBe('You rowed 3104 m, 12 m ahead of your target.');
});

test('a finish that is known to a second or worse is told without tenths', () => {
  const margin = { margin_ppm: 9_393, margin_ms: 4_100, margin_dm: null };
  expect(says('finished', spec('1700m'), { shown: finish(432_300), margin, sure_ms: 1_200 })).toBe('You finished in about 7:12, 4 s ahead of your target.');
  expect(says('finished', spec('1700m'), { shown: finish(432_300), margin: { ...margin, margin_ms: 300 }, sure_ms: 1_200 })).toBe('You finished in about 7:12, about on target.');
});

test('who has not finished reads what came in between, and nothing that is not so', () => {
  expect(says('stopped', spec('1700m'), { distance_dm: 8_123 })).toBe('You stopped after 812 m. What you rowed is kept.');
  expect(says('stopped', spec('12min'), { time_ms: 200_000 })).toBe('You stopped after 3:20. What you rowed is kept.');
  expect(says('unfinished', spec('1700m'), { distance_dm: 14_600 })).toBe('Your coach closed the piece 240 m before your finish. What you rowed is kept.');
  expect(says('unfinished', spec('12min'), { time_ms: 680_000 })).toBe('Your coach closed the piece 0:40 before your finish. What you rowed is kept.');
  // What is missing was over before they came: nobody has closed it.
  expect(says('unfinished', spec('2x450m/1:00'), { distance_dm: 4_500, marks: ['repeats_missed'] })).toBe('You rowed 450 m.');
  const stopped: Phase = { phase: 'stopped', go_at_ms: 0, stopped_at_ms: 190_000 };
  expect(says('unfinished', spec('1700m'), { distance_dm: 8_120 }, stopped)).toBe('Your coach stopped the piece when you had rowed 812 m. What you rowed is kept.');
  expect(says('unheard', spec('12min'), { time_ms: 500_000 })).toContain('The signal was lost before the end');
  expect(says('did_not_start', spec('1700m'))).toBe('You did not row this piece.');
});

test('what comes next is said as it is: others row, the next piece, the end', () => {
  const piece: PieceView = { piece: 0, spec: spec('1700m'), phase: CLOSING, results: [] };
  const next: PieceView = { piece: 1, spec: spec('2x500m/1:00'), phase: { phase: 'gathering' }, results: [] };
  expect(nextText({ closed: false, pieces: [piece, next] }, piece)).toBe('Others are still rowing. Put the handle down and breathe; this page goes on when your coach does.');
  const over = { ...piece, phase: OVER };
  expect(nextText({ closed: false, pieces: [over, next] }, over)).toBe('Next comes 2x500m/1min. This page goes on by itself when your coach does.');
  expect(nextText({ closed: false, pieces: [over] }, over)).toBe('No other piece is set. If your coach sets one, it comes up here by itself.');
  expect(nextText({ closed: true, pieces: [over, next] }, over)).toBe('The session is closed. You can close this page.');
});
