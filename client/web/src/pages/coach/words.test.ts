import { expect, test } from 'vitest';
import type { AthleteView, Line } from '../../protocol/decode';
import { welcome } from '../../session/faked';
import { NOTHING_YET, reduce, type ListedCall, type Session } from '../../session/reduce';
import { heardText, standingCalls, whoText } from './words';

function session(more: Partial<Session>): Session {
  const { session: made } = reduce(NOTHING_YET, { news: 'welcome', msg: welcome() });
  if (made === null) throw new Error('no session');
  const pieces = [{
    piece: 0, results: [], phase: { phase: 'rowing', go_at_ms: 1_000, repeat: 0, repeat_at_ms: 1_000 },
    spec: { title: '', repeats: [], clock: 'common_go', repeat_start: 'common_signal', count_ms: 10_000, call_sheet: [] },
  }] satisfies Session['pieces'];
  return { ...made, current: 0, pieces, ...more };
}

const line = (athlete: string, not_heard: boolean): Line => ({
  athlete, doing: 'rowing', place: null, not_heard, margin: null, projected: null, done_dm: 0, elapsed_ms: 0, share_permille: 0,
});
const view = (athlete: string, name: string): AthleteView => ({
  athlete, spec: { name, team: null, heart_limit_bpm: null }, aim: { target: null, plan: { profile: 'even' }, history: [] }, on_board: 'name',
  doing: 'here', cautions_read: true, machine: null, clock_bound_ms: null, heart_rate: false,
});
const standings = (lines: Line[], calls: { call: string; athletes: number; strokes_left: null }[] = []) => ({ piece: 0, at_ms: 50_000, lines, teams: [], calls });
const sent = (call: string, sent_at_ms: number, over: ListedCall['over'] = null): ListedCall => ({
  call, text: { shown: call, spoken: '' }, span: { until: 'next' }, sent_at_ms, athletes: [], replaced: [], sheet: null, over,
});

test('who is heard: by name while they are few', () => {
  const athletes = [view('a', 'Ida Fenn'), view('b', 'Bo Quist'), view('c', 'Uma Roe')];
  const said = (...lost: boolean[]) => heardText(session({ athletes, standings: standings(lost.map((not, nth) => line('abc'[nth] ?? '', not))) }));
  expect(said(false, false, false)).toBe('3 in, all heard');
  expect(said(true, false, true)).toBe('3 in, Ida Fenn and Uma Roe not heard');
  expect(said(true, true, true)).toBe('3 in, 3 not heard');
  expect(whoText(session({ athletes }), ['b'])).toBe('Bo Quist');
  expect(whoText(session({ athletes }), ['a', 'b', 'c'])).toBe('3');
});

test('a call stands while the standings name it, and from the moment it went out', () => {
  const calls = [sent('sheet', 20_000), sent('long', 30_000), sent('over', 40_000, { at_ms: 45_000, how: 'ended' }), sent('new', 50_400)];
  const stand = standingCalls(session({ calls, standings: standings([], [{ call: 'long', athletes: 3, strokes_left: null }]) }));
  expect(stand.map(({ call }) => call)).toEqual(['long', 'new']);
});
