import { expect, test } from 'vitest';
import type { Phase, PieceView } from '../../protocol/decode';
import type { Session } from '../../session/reduce';
import { GO, ROWING, own, result, session, spec } from './faked';
import { screen, type Known } from './screen';

function shown(now: Session | null, change: Partial<Known> = {}) {
  return screen({
    entered: true, connected: { is: 'here' }, session: now, nowMs: GO + 20_000, saidStopped: null, moves: true,
    repeat: 0, repeatDone: false, doneAtMs: null, late: false, ...change,
  });
}

test('the door, until there is a place; a place refused leads back to it with the reason', () => {
  expect(shown(null, { entered: false })).toEqual({ is: 'entrance', says: '' });
  expect(shown(null, { connected: { is: 'ended', says: 'The name is taken.', code: null } })).toEqual({ is: 'entrance', says: 'The name is taken.' });
  expect(shown(null, { connected: { is: 'connecting' } }).is).toBe('connecting');
  expect(shown(null, { connected: { is: 'lost', says: '', code: null } }).is).toBe('away');
  expect(shown(session(ROWING), { connected: { is: 'ended', says: 'Elsewhere.', code: 4501 } }).is).toBe('ended');
  // Asked before there was a welcome: there is a choice to make, and nothing to type.
  expect(shown(null, { connected: { is: 'ended', says: 'Taken.', code: 4507 } }).is).toBe('ended');
  expect(shown(null, { connected: { is: 'ended', says: 'Wrong.', code: 4500 } }).is).toBe('entrance');
});

test('the count goes over into rowing at the go, also while the server is away', () => {
  const counting = session({ phase: 'counting', go_at_ms: GO });
  expect(shown(counting, { nowMs: GO - 2_500 })).toEqual({ is: 'counting', ms: 2_500 });
  expect(shown(counting, { nowMs: GO, connected: { is: 'lost', says: '', code: null } }).is).toBe('rowing');
});

test('who comes into a piece does first what comes before rowing; the result comes all the same', () => {
  expect(shown(session({ phase: 'counting', go_at_ms: GO }), { late: true, nowMs: GO - 2_500 }).is).toBe('prepare');
  expect(shown(session(ROWING), { late: true }).is).toBe('prepare');
  expect(shown(session(ROWING, { results: [result('finished')] }), { late: true }).is).toBe('result');
  expect(shown(session({ phase: 'finished', go_at_ms: GO }), { late: true }).is).toBe('over');
});

test('who presses "I stop" has stopped at once, and rows on only when they say so', () => {
  expect(shown(session(ROWING, { own: own() }), { saidStopped: true }).is).toBe('stopped');
  expect(shown(session(ROWING, { own: own({ doing: 'stopped' }) }), { saidStopped: false }).is).toBe('rowing');
  // The server took them to have stopped: the next stroke shows the numbers again, without a press.
  expect(shown(session(ROWING, { own: own({ doing: 'stopped' }) }), { moves: false }).is).toBe('stopped');
  expect(shown(session(ROWING, { own: own({ doing: 'stopped' }) }), { moves: true }).is).toBe('rowing');
});

test('done by own numbers one is home, and then the result comes', () => {
  expect(shown(session(ROWING, { own: own() }), { repeatDone: true }).is).toBe('home');
  expect(shown(session(ROWING, { own: own({ doing: 'finished' }), results: [result('finished')] }))).toEqual({ is: 'result', result: result('finished') });
  const over: Phase = { phase: 'finished', go_at_ms: GO };
  expect(shown(session(over, { results: [result('unfinished')] })).is).toBe('result');
  expect(shown(session(over, { results: [result('did_not_start')] }))).toEqual({ is: 'over' });
});

test('between repeats on a signal: until all are in, then a clock', () => {
  const intervals = spec('3x350m/1:00');
  expect(shown(session(ROWING, { spec: intervals, own: own({ repeat: 1 }) }))).toEqual({ is: 'rest', next: 1, of: 3, ms: null });
  // By the page's own numbers, before the server's word.
  expect(shown(session(ROWING, { spec: intervals, own: own() }), { repeatDone: true })).toEqual({ is: 'rest', next: 1, of: 3, ms: null });
  const resting: Phase = { phase: 'resting', go_at_ms: GO, next_repeat: 1, next_at_ms: GO + 60_000 };
  expect(shown(session(resting, { spec: intervals, own: own({ repeat: 1 }) }))).toEqual({ is: 'rest', next: 1, of: 3, ms: 40_000 });
  expect(shown(session(resting, { spec: intervals, own: own({ repeat: 1 }) }), { nowMs: GO + 60_000 }).is).toBe('rowing');
});

test('in the last repeat others may be in before: who still rows goes on rowing', () => {
  const intervals = spec('3x350m/1:00');
  const closing: Phase = { phase: 'closing', go_at_ms: GO };
  expect(shown(session(closing, { spec: intervals, own: own({ repeat: 2 }) }), { repeat: 2 }).is).toBe('rowing');
  expect(shown(session(closing, { spec: intervals, own: own({ repeat: 2 }) }), { repeat: 2, repeatDone: true }).is).toBe('home');
});

test('each their own rest: counted from when the own repeat was done', () => {
  const intervals = spec('3x350m/1:00', { repeat_start: 'own_rest' });
  const now = session(ROWING, { spec: intervals, own: own({ repeat: 1 }) });
  expect(shown(now, { doneAtMs: GO })).toEqual({ is: 'rest', next: 1, of: 3, ms: 40_000 });
  expect(shown(now, { doneAtMs: GO - 45_000 }).is).toBe('rowing');
});

test('repeats by time go by the clock while the server is away', () => {
  const timed = session(ROWING, { spec: spec('3x20s/1:00'), own: own() });
  const away = { connected: { is: 'lost', says: '', code: null } } as const;
  expect(shown(timed, { ...away, repeatDone: true, doneAtMs: GO + 20_000, nowMs: GO + 30_000 })).toEqual({ is: 'rest', next: 1, of: 3, ms: 50_000 });
  expect(shown(timed, { ...away, repeat: 1, doneAtMs: GO + 20_000, nowMs: GO + 81_000 }).is).toBe('rowing');
});

test('the result stays until the coach goes on to the next piece, and then leaves by itself', () => {
  const pieces = (phase: Phase): PieceView[] => [
    { piece: 0, spec: spec('1700m'), phase: { phase: 'finished', go_at_ms: GO }, results: [result('finished')] },
    { piece: 1, spec: spec('850m'), phase, results: [] },
  ];
  expect(shown(session({ phase: 'finished', go_at_ms: GO }, { pieces: pieces({ phase: 'gathering' }), current: 0 })).is).toBe('result');
  expect(shown(session({ phase: 'gathering' }, { pieces: pieces({ phase: 'gathering' }), current: 1 })).is).toBe('prepare');
  expect(shown(session({ phase: 'armed' }, { pieces: pieces({ phase: 'armed' }), current: 1 })).is).toBe('prepare');
});
