import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { decode, type Event, type Happening, type SentCall, type Standings } from '../../protocol/decode';
import { NOTHING_YET, reduce, type Session } from '../../session/reduce';
import { OVER_MS, shownCall } from './call';

const [ILSE, BO] = ['01994c1f-0b12-7e80-9a3c-41d7f20c6e15', '01994c1f-0b12-7e80-9a3c-41d7f20c6e16'];
const CALL = 'd94a2c07-6e1b-4f83-b5c9-72a0e3f816bd';

function example(file: string) {
  const msg = decode(readFileSync(new URL(`../../../../../protocol/examples/server/${file}`, import.meta.url), 'utf8'));
  if (msg === null) throw new Error(`${file} is not understood`);
  return msg;
}

/** A session that has been rowing since 10 s. */
function rowing(): Session {
  const msg = example('welcome-coach.json');
  if (msg.type !== 'welcome') throw new Error('no welcome');
  const { session } = reduce(NOTHING_YET, { news: 'welcome', msg: { ...msg, last_event: 0, calls: [] } });
  if (session === null) throw new Error('no session');
  return happened(session, 1, 10_000, {
    kind: 'phase_changed',
    piece: session.current,
    phase: { phase: 'rowing', go_at_ms: 10_000, repeat: 0, repeat_at_ms: 10_000 },
  });
}

function happened(session: Session, event: number, at_ms: number, what: Happening): Session {
  const events: Event[] = [{ event, at_ms, late: false, what }];
  return reduce({ ...NOTHING_YET, session }, { news: 'said', msg: { type: 'events', events } }).session ?? session;
}

/** Standings at an instant, with these margins in millionths, and what is left of the call if it stands. */
function stood(session: Session, at_ms: number, ppm: Readonly<Record<string, number>>, left: number | null): Session {
  const msg = example('standings.json');
  if (msg.type !== 'standings') throw new Error('no standings');
  const lines = msg.lines.map((line) => {
    const margin_ppm = ppm[line.athlete];
    return { ...line, margin: margin_ppm === undefined ? null : { margin_ppm, margin_ms: null, margin_dm: null } };
  });
  const calls: Standings['calls'] = left === null ? [] : [{ call: CALL, athletes: 2, strokes_left: left }];
  const next = { ...msg, piece: session.current, at_ms, lines, calls };
  return reduce({ ...NOTHING_YET, session }, { news: 'said', msg: next }).session ?? session;
}

function sent(more: Partial<SentCall> = {}): Happening {
  const text = { shown: 'Sit tall', spoken: '' };
  const call = { call: CALL, text, span: { until: 'strokes', strokes: 10 }, sent_at_ms: 20_500, athletes: [ILSE, BO], replaced: [], sheet: null } as const;
  return { kind: 'call_sent', ...call, athletes: [...call.athletes], replaced: [], ...more };
}

test('a call stands from the moment that it was sent, with the strokes that the standings tell', () => {
  const before = stood(rowing(), 20_000, { [ILSE]: 0, [BO]: 0 }, null);
  expect(shownCall(before, 20_400, 1)).toBeNull();
  const now = happened(before, 2, 20_500, sent());
  expect(shownCall(now, 20_600, 1)).toMatchObject({ is: 'running', left: { by: 'strokes', strokes: 10, of: 10 } });
  const later = stood(now, 29_000, { [ILSE]: 0, [BO]: 0 }, 6);
  expect(shownCall(later, 29_000, 1)).toMatchObject({ is: 'running', left: { by: 'strokes', strokes: 6 } });
});

test('when it is over it is shown for eight seconds of real time, however fast the session runs', () => {
  const ended = happened(happened(stood(rowing(), 20_000, {}, null), 2, 20_500, sent()), 3, 40_000, { kind: 'call_ended', call: CALL });
  expect(shownCall(ended, 40_000 + OVER_MS - 1, 1)).toMatchObject({ is: 'over' });
  expect(shownCall(ended, 40_000 + OVER_MS, 1)).toBeNull();
  expect(shownCall(ended, 40_000 + 9 * OVER_MS, 10)).toMatchObject({ is: 'over' });
});

test('a call that was taken back is gone at once, and one that nobody got is not shown', () => {
  const on = stood(rowing(), 20_000, {}, null);
  const back = happened(happened(on, 2, 20_500, sent()), 3, 21_000, { kind: 'call_taken_back', call: CALL });
  expect(shownCall(back, 21_000, 1)).toBeNull();
  expect(shownCall(happened(on, 2, 20_500, sent({ athletes: [] })), 20_600, 1)).toBeNull();
});

test('a call of the sheet is shown while it stands for somebody, and has no after', () => {
  const on = happened(stood(rowing(), 20_000, {}, null), 2, 20_500, sent({ sheet: 0 }));
  expect(shownCall(stood(on, 25_000, {}, 4), 25_000, 1)).toMatchObject({ is: 'running', left: { strokes: 4 } });
  expect(shownCall(stood(on, 40_000, {}, null), 40_000, 1)).toBeNull();
});
