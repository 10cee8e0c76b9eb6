import { expect, test } from 'vitest';
import type { AthleteView, Line, Order } from '../../protocol/decode';
import { welcome } from '../../session/faked';
import { NOTHING_YET, reduce, type ListedCall, type Session } from '../../session/reduce';
import { clockWords, heardText, lostHeardText, someOf, standingCalls, unheardText, waiting, waitsFor } from './words';

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
  athlete, doing: 'rowing', place: null, not_heard, margin: null, projected: null, done_dm: 0, elapsed_ms: 0, share_permille: 0, against_target: null, instead: null,
});
const view = (athlete: string, name: string): AthleteView => ({
  athlete, spec: { name, team: null, heart_limit_bpm: null }, aim: { target: null, plan: { profile: 'even' }, history: [] }, on_board: 'name',
  doing: 'here', cautions_read: true, machine: null, clock_bound_ms: null, heart_rate: false,
});
const standings = (lines: Line[], calls: { call: string; athletes: number; strokes_left: null }[] = [], waits_for: string[] = []) => ({ piece: 0, at_ms: 50_000, drawn_at_ms: 0, lines, teams: [], calls, waits_for });
const sent = (call: string, sent_at_ms: number, over: ListedCall['over'] = null): ListedCall => ({
  call, text: { shown: call, spoken: '' }, span: { until: 'next' }, sent_at_ms, athletes: ['a'], replaced: [], sheet: null, over, effect: null,
});

test('who is heard: by name while they are few', () => {
  const athletes = [view('a', 'Ida Fenn'), view('b', 'Bo Quist'), view('c', 'Uma Roe')];
  const said = (...lost: boolean[]) => heardText(session({ athletes, standings: standings(lost.map((not, nth) => line('abc'[nth] ?? '', not))) }));
  expect(said(false, false, false)).toBe('3 athletes, all connected');
  expect(said(true, false, true)).toBe('3 athletes, Ida Fenn and Uma Roe not connected');
  expect(said(true, true, true)).toBe('3 athletes, 3 not connected');
  // Towards the end: whom it is waiting for, so that the coach may close it.
  const closing = (doings: Line['doing'][], ...lost: number[]) => {
    const lines = doings.map((doing, nth) => ({ ...line('abc'[nth] ?? '', lost.includes(nth)), doing }));
    const pieces = session({}).pieces.map((piece) => ({ ...piece, phase: { phase: 'closing', go_at_ms: 1_000 } as const }));
    const waited = lines.filter(({ doing }) => doing === 'rowing').map(({ athlete }) => athlete);
    return heardText(session({ athletes, pieces, standings: standings(lines, [], waited) }));
  };
  expect(closing(['finished', 'rowing', 'stopped'])).toBe('Waiting for Bo Quist');
  expect(closing(['rowing', 'rowing', 'finished'], 0)).toBe('Waiting for Ida Fenn (no signal) and Bo Quist');
  expect(closing(['finished', 'finished', 'stopped'])).toBe('3 athletes, all connected');
  expect(someOf(session({ athletes }), ['b'])).toEqual(['Bo Quist']);
  expect(someOf(session({ athletes }), ['a', 'b', 'c'])).toBe(3);
});

test('what the clock tells, in words that can be read behind its figure', () => {
  const rest = { work: { by: 'distance', distance_dm: 3_500 }, rest_ms: 75_000 } as const;
  const piece = session({}).pieces[0];
  if (piece === undefined) throw new Error('no piece');
  const words = (phase: typeof piece.phase, repeats = [rest, rest, { ...rest, rest_ms: 0 }]) => clockWords({ ...piece, phase, spec: { ...piece.spec, repeats } });
  expect(words({ phase: 'counting', go_at_ms: 9_000 })).toEqual(['until the start', '3x350m/1:15']);
  expect(words({ phase: 'rowing', go_at_ms: 9_000, repeat: 1, repeat_at_ms: 9_000 })).toEqual(['Rowing', 'repeat 2 of 3, 3x350m/1:15']);
  expect(words({ phase: 'resting', go_at_ms: 9_000, next_repeat: 2, next_at_ms: 90_000 })).toEqual(['rest left', 'then repeat 3 of 3']);
  expect(words({ phase: 'rowing', go_at_ms: 9_000, repeat: 0, repeat_at_ms: 9_000 }, [{ ...rest, rest_ms: 0 }])).toEqual(['Rowing', '350m']);
});

test('a call is active while the standings name it, and from the moment it went out', () => {
  const calls = [sent('sheet', 20_000), sent('long', 30_000), sent('over', 40_000, { at_ms: 45_000, how: 'ended' }), sent('new', 50_400)];
  const stand = standingCalls(session({ calls, standings: standings([], [{ call: 'long', athletes: 3, strokes_left: null }]) }));
  expect(stand.map(({ call }) => call)).toEqual(['long', 'new']);
});

test('a call that reached nobody is not active, and it is said for a while', () => {
  const nobody = { ...sent('Sit tall', 50_400), athletes: [] };
  const told = session({ calls: [sent('before', 30_000), nobody], standings: standings([]) });
  expect(standingCalls(told)).toEqual([]);
  expect(unheardText(told, 51_000)).toBe('‘Sit tall’ reached nobody: none of those it was for is rowing. Whoever has not begun, has stopped or has finished gets no call.');
  expect(unheardText(told, 63_000)).toBe('');
  expect(unheardText(session({ calls: [nobody, sent('after', 50_500)] }), 51_000)).toBe('');
});

test('of every order that waits it is said what becomes of it', () => {
  const call = { do: 'call', call: { call: 'c', text: { shown: 'Catch together', spoken: '' }, audience: { whom: 'all' }, span: { until: 'next' } } } as const;
  const asked = (order: Order, said: boolean) => ({ msg: { type: 'command', command: 'x', order } as const, said, asked_at_ms: 1_000 });
  const says = (order: Order, said: boolean, away: boolean, nowMs: number) => waiting([asked(order, said)], away, nowMs, 1).map((one) => one.says);
  expect(says(call, false, true, 1_000)).toEqual(['‘Catch together’ goes out when the server is back, as long as this page stays open.']);
  expect(says(call, true, true, 1_000)).toEqual(['‘Catch together’ was on its way when the server was lost: whether it arrived is known when the server is back.']);
  expect(says({ do: 'stop' }, false, true, 1_000)).toEqual(['The stop is sent when the server is back, as long as this page stays open.']);
  // While the server is there, only what takes long is worth mentioning.
  expect(says(call, true, false, 2_000)).toEqual([]);
  expect(says(call, true, false, 4_000)).toEqual(['‘Catch together’: no answer from the server yet.']);
  expect(waiting([asked(call, false), asked(call, true)], true, 1_000, 1).map((one) => one.may_be_dropped)).toEqual([true, false]);
});

test('while the server is away it is said who was in, not who is heard', () => {
  expect(lostHeardText(session({ standings: standings([line('a', false), line('b', true)]) }))).toBe('2 athletes when the server was last reached');
});

test('for whom everybody waits is said by name, in a repeat and at the end, as the server tells it', () => {
  const told = session({ standings: standings([line('a', false), line('b', false)], [], ['b']) });
  expect(waitsFor(told)).toEqual(someOf(told, ['b']));
  expect(waitsFor(session({ standings: standings([line('a', false)]) }))).toBeNull();
});
