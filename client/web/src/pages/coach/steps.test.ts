import { expect, test } from 'vitest';
import type { AthleteView, Phase } from '../../protocol/decode';
import { welcome } from '../../session/faked';
import { NOTHING_YET, reduce, type Session } from '../../session/reduce';
import { STEPS, stepsDone } from './steps';

const { session: made } = reduce(NOTHING_YET, { news: 'welcome', msg: welcome() });
if (made === null) throw new Error('no session');
const empty: Session = { ...made, pieces: [], athletes: [] };
const view = (target: AthleteView['aim']['target'], doing: AthleteView['doing']): AthleteView => ({
  athlete: 'ida', spec: { name: 'Ida', team: null, heart_limit_bpm: null }, aim: { target, plan: { profile: 'even' }, history: [] }, on_board: 'name',
  doing, cautions_read: true, machine: null, clock_bound_ms: null, heart_rate: false,
});
const piece = (phase: Phase): Session['pieces'] => [{
  piece: 0, results: [], phase, spec: { title: '', repeats: [], clock: 'common_go', repeat_start: 'common_signal', count_ms: 10_000, call_sheet: [] },
}];
const open = (session: Session) => STEPS.filter((name) => !stepsDone(session)[name]);

test('what is still to be done, in its order', () => {
  expect(open(empty)).toEqual(['roster', 'pieces', 'targets', 'share']);
  const set: Session = { ...empty, current: 0, pieces: piece({ phase: 'gathering' }) };
  expect(open({ ...set, athletes: [view(null, 'away')] })).toEqual(['targets', 'share']);
  const pace = { want: 'pace', per_500m_ms: 120_000 } as const;
  expect(open({ ...set, athletes: [view(pace, 'here')] })).toEqual([]);
  expect(open({ ...set, athletes: [view(pace, 'here'), view(null, 'here')] })).toEqual(['targets']);
  // What is over is not what comes next.
  expect(open({ ...set, pieces: piece({ phase: 'finished', go_at_ms: 1 }), athletes: [view(pace, 'here')] })).toEqual(['pieces', 'targets']);
});
