import { expect, test } from 'vitest';
import type { OwnCall } from '../../session/reduce';
import { callSays, shownCall } from './call';

const ten: OwnCall = {
  call: 'c', text: { shown: 'Long and loose', spoken: '' }, span: { until: 'strokes', strokes: 10 }, sent_at_ms: 60_000, strokes_left: 10, over: null,
};

test('strokes left are the own ones; without them the word of the server', () => {
  expect(shownCall(ten, { strokes: 4, doneAtMs: null }, 70_000, 1)).toMatchObject({ is: 'standing', left: { left: 6, of: 10 } });
  expect(shownCall({ ...ten, strokes_left: 7 }, null, 70_000, 1)).toMatchObject({ left: { left: 7 } });
});

test('done by own strokes it says so for a moment, also while the server is away', () => {
  const own = { strokes: 13, doneAtMs: 85_000 };
  expect(shownCall(ten, own, 86_000, 1)).toMatchObject({ is: 'done' });
  expect(shownCall(ten, own, 91_000, 1)).toBeNull();
});

test('taken back it is gone at once', () => {
  expect(shownCall({ ...ten, over: { at_ms: 61_000, how: 'taken_back' } }, null, 61_000, 1)).toBeNull();
  expect(shownCall({ ...ten, over: { at_ms: 61_000, how: 'ended' } }, null, 61_500, 1)).toMatchObject({ is: 'done' });
});

test('a call for a time runs out by the clock', () => {
  const timed: OwnCall = { ...ten, span: { until: 'time', time_ms: 30_000 }, strokes_left: null };
  expect(shownCall(timed, null, 75_000, 1)).toMatchObject({ is: 'standing', left: { ms: 15_000 } });
  expect(shownCall(timed, null, 91_000, 1)).toMatchObject({ is: 'done' });
  expect(shownCall(timed, null, 99_000, 1)).toBeNull();
  // In a session faster than real time the moment lasts just as long in real time.
  expect(shownCall(timed, null, 99_000, 10)).toMatchObject({ is: 'done' });
});

test('a screen reader hears the sentence, and for how long', () => {
  expect(callSays(ten)).toBe('Long and loose. For 10 strokes.');
  expect(callSays({ ...ten, text: { shown: 'Sit tall', spoken: 'Sit tall, and breathe.' }, span: { until: 'next' } })).toBe('Sit tall, and breathe.');
});
