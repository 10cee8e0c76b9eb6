// A link's life as scenes: what happened on the left, what it is doing and what it does about it on the right.
import { expect, test } from 'vitest';
import { writePart, type Rowed } from './ftms';
import { next, unlinked, waitMs, type Happening, type Kind, type State, type Todo } from './link';
import { words } from './words';

const value = (rowed: Rowed, more?: true) => new DataView(writePart(rowed, more ? { more } : {}).buffer);

/** Lets things happen one after another: the last state, and everything that was to be done. */
function scene(kind: Kind, ...happenings: readonly Happening[]): { state: State; todo: Todo[]; is: string[] } {
  let state = unlinked(kind, null);
  const todo: Todo[] = [];
  const is: string[] = [];
  for (const happening of happenings) {
    const after = next(state, happening);
    state = after.state;
    todo.push(...after.todo);
    is.push(state.link.is);
  }
  return { state, todo, is };
}

const said = (attempt: number, rowed: Rowed, heard_ms = 0, more?: true): Happening => ({ type: 'value', attempt, value: value(rowed, more), heard_ms });
const asked: Happening = { type: 'asked' };
const chosen: Happening = { type: 'chosen', attempt: 1, name: 'Row 7' };
const opened = (attempt: number): Happening => ({ type: 'opened', attempt });
const noAnswer = (attempt: number): Happening => ({ type: 'not_opened', attempt, why: 'no_answer' });
const waited = (attempt: number): Happening => ({ type: 'waited', attempt });
const dropped = (attempt: number): Happening => ({ type: 'dropped', attempt });
/** Attempt 1 is the choice, 2 the link that was made. */
const toLinked = [asked, chosen, opened(2)];

const metres = (todo: readonly Todo[]) => todo.flatMap((one) => (one.todo === 'record' ? [one.said.distance_dm / 10] : []));
const doing = (todo: readonly Todo[]) => todo.map((one) => (one.todo === 'wait' ? `wait ${one.ms}` : one.todo));

test('tapped, chosen, linked, heard', () => {
  const { is, todo, state } = scene('rower', ...toLinked, said(2, { distance_m: 0 }), said(2, { distance_m: 4 }, 1_000));
  expect(is).toEqual(['choosing', 'linking', 'linked', 'linked', 'linked']);
  expect(metres(todo)).toEqual([0, 4]);
  expect(words(state).says).toBe('Row 7 is linked.');
});

test('a first call that is missed is made three times, then somebody should look', () => {
  const { is, todo, state } = scene('rower', asked, chosen, noAnswer(2), waited(2), noAnswer(3), waited(3), noAnswer(4));
  expect(is.at(-2)).toBe('linking');
  expect(state.link).toEqual({ is: 'failed', why: 'no_answer' });
  expect(doing(todo)).toEqual(['choose', 'open', 'close', 'wait 200', 'open', 'close', 'wait 400', 'open', 'close']);
});

test.each(['cancelled', 'no_adapter', 'blocked'] as const)('not chosen: %s; asked again it is chosen again', (why) => {
  const { is, todo } = scene('rower', asked, { type: 'not_chosen', attempt: 1, why }, asked);
  expect(is).toEqual(['choosing', 'failed', 'choosing']);
  expect(doing(todo)).toEqual(['choose', 'close', 'choose']);
});

test.each(['refused', 'wrong_machine'] as const)('a machine that is %s is not called again and again', (why) => {
  const { state, todo } = scene('rower', asked, chosen, { type: 'not_opened', attempt: 2, why });
  expect(state.link).toEqual({ is: 'failed', why });
  expect(doing(todo)).toEqual(['choose', 'open', 'close']);
});

test('lost, refused twice, back: one recording without a gap, and half a record is thrown away', () => {
  const { is, todo, state } = scene(
    'rower',
    ...toLinked,
    said(2, { distance_m: 204, strokes: 19 }),
    said(2, { distance_m: 9_999 }, 500, true),
    dropped(2),
    waited(2),
    noAnswer(3),
    waited(3),
    noAnswer(4),
    waited(4),
    opened(5),
    said(5, { strokes: 24 }, 12_000),
    said(5, { distance_m: 251, strokes: 25 }, 13_000),
  );
  expect(is.slice(5)).toEqual(['lost', 'lost', 'lost', 'lost', 'lost', 'lost', 'linked', 'linked', 'linked']);
  expect(todo.flatMap((one) => (one.todo === 'record' ? [one.said] : []))).toEqual([
    { distance_dm: 2_040, strokes: 19, rate_half_spm: 0 },
    { distance_dm: 2_510, strokes: 25, rate_half_spm: 0 },
  ]);
  expect(doing(todo).filter((one) => one !== 'record')).toEqual(
    ['choose', 'open', 'wait 200', 'open', 'close', 'wait 200', 'open', 'close', 'wait 400', 'open'],
  );
  expect(state.link).toMatchObject({ is: 'linked', heard: 'enough' });
});

test('half a record does not outlive its link, not even one that is back at once', () => {
  const back = scene('rower', ...toLinked, said(2, { distance_m: 9_999 }, 500, true), dropped(2), waited(2), opened(3), said(3, { strokes: 5 }));
  expect(metres(back.todo)).toEqual([]);
});

test('a machine that is away for long is looked for to the end, and never slower than every 5 s', () => {
  let { state } = scene('rower', ...toLinked, dropped(2), waited(2));
  for (let nth = 0; nth < 40; nth += 1) {
    const failed = next(state, { type: 'not_opened', attempt: state.attempts, why: nth % 2 === 0 ? 'refused' : 'no_answer' });
    expect(doing(failed.todo)).toEqual(['close', `wait ${waitMs(nth)}`]);
    expect(waitMs(nth)).toBeLessThanOrEqual(5_000);
    state = next(failed.state, waited(state.attempts)).state;
  }
  expect(words(state).says).toContain('does not answer yet');
});

test('an attempt that was given up is not listened to any more', () => {
  const late = scene('rower', asked, chosen, noAnswer(2), waited(2), opened(2), said(2, { distance_m: 40 }));
  expect([late.state.link.is, metres(late.todo)]).toEqual(['linking', []]);
});

test('let go it stays away; what was chosen again begins from its own counters', () => {
  const gone = scene('rower', ...toLinked, said(2, { distance_m: 500 }), dropped(2), { type: 'released' }, waited(2), opened(3));
  expect([gone.state.link.is, doing(gone.todo).at(-1)]).toEqual(['idle', 'close']);
  const other = next(next(gone.state, asked).state, { type: 'chosen', attempt: 3, name: 'Row 9' });
  expect(other.state.counters.distance_m).toBeNull();
});

test('a silent machine at rest is told again once a second, for the baseline at the go', () => {
  const tick = (at_ms: number): Happening => ({ type: 'tick', at_ms });
  expect(metres(scene('rower', ...toLinked, tick(1_000)).todo)).toEqual([]);
  expect(metres(scene('rower', ...toLinked, said(2, { distance_m: 6 }), tick(500), tick(1_000), tick(2_000)).todo)).toEqual([6, 6, 6]);
  // Rowing: a report that is late is not a rest.
  const rowing = [...toLinked, said(2, { distance_m: 6 }), said(2, { distance_m: 10 }, 1_000)];
  expect(metres(scene('rower', ...rowing, tick(4_000)).todo)).toEqual([6, 10]);
  // After a loss nobody knows yet what it shows.
  expect(metres(scene('rower', ...toLinked, said(2, { distance_m: 6 }), dropped(2), waited(2), opened(3), tick(20_000)).todo)).toEqual([6]);
});

test('a machine that tells no distance says so in words', () => {
  const mute = Array.from({ length: 5 }, (_, nth) => said(2, { strokes: nth }, nth * 1_000));
  expect(words(scene('rower', ...toLinked, ...mute.slice(1)).state).short).toBe('linked, no data yet');
  expect(words(scene('rower', ...toLinked, ...mute).state).short).toBe('linked, no distance');
});

test('a strap tells beats, and a machine passes on its own', () => {
  const beat = (...bytes: number[]): Happening => ({ type: 'value', attempt: 2, value: new DataView(Uint8Array.from(bytes).buffer), heard_ms: 70 });
  expect(scene('strap', ...toLinked, beat(0x06, 133), beat(0x04, 90), beat(0x00, 0), beat(0x01)).todo.slice(2)).toEqual([
    { todo: 'beat', heart_bpm: 133, heard_ms: 70 },
  ]);
  const rower = scene('rower', ...toLinked, said(2, { distance_m: 2, heart_bpm: 118 }, 70), said(2, { distance_m: 5, heart_bpm: 0 }, 90));
  expect(rower.todo.filter((one) => one.todo === 'beat')).toEqual([{ todo: 'beat', heart_bpm: 118, heard_ms: 70 }]);
});

test('in ten thousand odd lives a link never opens what nobody asked for', () => {
  let seed = 77;
  const chance = (below: number) => (seed = (Math.imul(seed, 1_664_525) + 1_013_904_223) >>> 0) % below;
  for (let life = 0; life < 10_000; life += 1) {
    let state = unlinked(chance(2) === 0 ? 'rower' : 'strap', null);
    let wanted = false;
    for (let step = 0; step < 12; step += 1) {
      const attempt = state.attempts - chance(2);
      const happenings: readonly Happening[] = [
        asked,
        { type: 'chosen', attempt, name: '' },
        { type: 'not_chosen', attempt, why: 'cancelled' },
        opened(attempt),
        { type: 'not_opened', attempt, why: chance(2) === 0 ? 'no_answer' : 'refused' },
        said(attempt, { distance_m: chance(400) }, step * 900),
        dropped(attempt),
        waited(attempt),
        { type: 'tick', at_ms: step * 1_000 },
        { type: 'released' },
      ];
      const happening = happenings[chance(happenings.length)] ?? asked;
      wanted = happening.type === 'asked' ? true : happening.type === 'released' ? false : wanted;
      const after = next(state, happening);
      state = after.state;
      for (const todo of after.todo) {
        if (todo.todo === 'open' || todo.todo === 'choose') expect([wanted, todo.attempt]).toEqual([true, state.attempts]);
        if (todo.todo === 'wait') expect([wanted, todo.attempt]).toEqual([true, state.attempts]);
      }
      expect(words(state).says.length).toBeGreaterThan(10);
    }
  }
});
