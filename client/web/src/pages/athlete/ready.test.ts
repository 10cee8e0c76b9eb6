import { expect, test } from 'vitest';
import type { AthleteView, Phase } from '../../protocol/decode';
import { missingOf } from '../coach/ready';
import { ANA, ROWING, session } from './faked';
import { fitsByNow, readiness, toDo } from './ready';

const GATHERING: Phase = { phase: 'gathering' };
const NOTHING = { cautions: false, machine: false, rowed: false, today: 'as_usual' } as const;
const ALL = { cautions: true, machine: true, rowed: false, today: 'as_usual' } as const;
const finish = { want: 'finish', finish_ms: 400_000 } as const;

function view(change: Partial<AthleteView> = {}): AthleteView {
  return {
    athlete: ANA, spec: { name: 'Ana Quill', team: null, heart_limit_bpm: null }, aim: { target: null, plan: { profile: 'even' }, history: [] }, doing: 'here',
    cautions_read: false, machine: null, clock_bound_ms: 5, heart_rate: false, on_board: 'name', ...change,
  };
}

const SET = { cautions_read: true, machine: 'Row 7', aim: view().aim };
const READY = view({ ...SET, aim: { ...view().aim, target: finish } });

function at(phase: Phase, you: AthleteView) {
  return { ...session(phase), athletes: [you] };
}

test('what is still to do is told in the order in which it is done', () => {
  expect(toDo(at(GATHERING, view()), NOTHING)).toEqual(['cautions', 'target', 'machine']);
  expect(toDo(at(GATHERING, view()), ALL)).toEqual(['target']);
  expect(toDo(at(GATHERING, READY), ALL)).toEqual([]);
});

test('in the piece all of it can still be done; a target until the first stroke', () => {
  expect(toDo(at(ROWING, view()), NOTHING)).toEqual(['cautions', 'target', 'machine']);
  expect(toDo(at(ROWING, view()), { ...NOTHING, rowed: true })).toEqual(['cautions', 'machine']);
  expect(toDo(at({ phase: 'finished', go_at_ms: 0 }, view()), ALL)).toEqual([]);
});

test('ready is who the coach sees ready, whatever was pressed here', () => {
  expect(readiness(at(GATHERING, READY), ALL)).toEqual({ is: 'ready' });
  // Pressed, and the server has not confirmed it yet.
  expect(readiness(at(GATHERING, { ...READY, cautions_read: false }), ALL)).toEqual({ is: 'telling' });
  expect(readiness(at(GATHERING, { ...READY, machine: null }), ALL)).toEqual({ is: 'telling' });
  expect(readiness(at(GATHERING, { ...READY, clock_bound_ms: null }), ALL)).toEqual({ is: 'clock' });
  expect(readiness(at(GATHERING, { ...READY, clock_bound_ms: 300 }), ALL)).toEqual({ is: 'clock' });
  // Nobody starts anybody any more.
  expect(readiness({ ...at(GATHERING, READY), closed: true }, ALL)).toEqual({ is: 'closed' });
  expect(readiness({ ...at(GATHERING, view()), closed: true }, NOTHING)).toEqual({ is: 'closed' });
  const watched = { ...READY, spec: { ...READY.spec, heart_limit_bpm: 150 } };
  expect(readiness(at(GATHERING, watched), ALL)).toEqual({ is: 'heart', bpm: 150 });
  expect(readiness(at(GATHERING, { ...watched, heart_rate: true }), ALL)).toEqual({ is: 'ready' });
});

test('a clock is told again once it fits, and not every time that it is known better', () => {
  expect(fitsByNow(300, 60)).toBe(true);
  for (const [told, now] of [[null, 60], [60, 20], [300, 200], [300, null]] as const) expect([told, now, fitsByNow(told, now)]).toEqual([told, now, false]);
});

test('phone and coach agree on everybody, by the coach’s own rule', () => {
  for (const cautions_read of [false, true])
    for (const machine of [null, 'Row 7'])
      for (const target of [null, finish])
        for (const clock_bound_ms of [null, 5, 300])
          for (const heart_rate of [false, true])
            for (const heart_limit_bpm of [null, 150])
              for (const today of ['as_usual', 'easy', 'not_today'] as const) {
                const you = view({ cautions_read, machine, clock_bound_ms, heart_rate, today, aim: { ...view().aim, target }, spec: { ...view().spec, heart_limit_bpm } });
                const here = { cautions: cautions_read, machine: machine !== null, rowed: false, today };
                const { is } = readiness(at(GATHERING, you), here);
                expect([you, is === 'ready' || is === 'not_today']).toEqual([you, missingOf(you).length === 0]);
              }
});

test('who takes it easy needs no target, and who does not row today needs nothing', () => {
  expect(toDo(at(GATHERING, view()), { ...NOTHING, today: 'easy' })).toEqual(['cautions', 'machine']);
  expect(toDo(at(GATHERING, view()), { ...NOTHING, today: 'not_today' })).toEqual([]);
  expect(readiness(at(GATHERING, view({ ...SET, today: 'easy' })), { ...ALL, today: 'easy' })).toEqual({ is: 'ready' });
  expect(readiness(at(GATHERING, view({ today: 'not_today' })), { ...NOTHING, today: 'not_today' })).toEqual({ is: 'not_today' });
  // Pressed, and the server has not confirmed it yet.
  expect(readiness(at(GATHERING, READY), { ...ALL, today: 'easy' })).toEqual({ is: 'telling' });
  expect(readiness(at(GATHERING, view()), { ...NOTHING, today: 'not_today' })).toEqual({ is: 'telling' });
  // And taken back.
  expect(readiness(at(GATHERING, { ...READY, today: 'not_today' }), ALL)).toEqual({ is: 'telling' });
});
