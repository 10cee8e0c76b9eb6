import { readFileSync, readdirSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { decode } from '../protocol/decode';
import type { Event, Happening, Phase, PieceView, SentCall, ServerMsg, ServerWelcome } from '../protocol/decode';
import { welcome } from './faked';
import { NOTHING_YET, callsOfPiece, currentPhase, isUnderWay, reduce, type Session, type State } from './reduce';

const folder = new URL('../../../../protocol/examples/server/', import.meta.url);

function example(name: string): ServerMsg {
  const msg = decode(readFileSync(new URL(name, folder), 'utf8'));
  if (msg === null) throw new Error(`${name} is not understood`);
  return msg;
}

function heard(...msgs: ServerMsg[]): State {
  return msgs.reduce(
    (state, msg) => reduce(state, msg.type === 'welcome' ? { news: 'welcome', msg } : { news: 'said', msg }),
    NOTHING_YET,
  );
}

function session(state: State): Session {
  if (state.session === null) throw new Error('no welcome');
  return state.session;
}

let nth = 100;
function events(...whats: Happening[]): ServerMsg {
  return { type: 'events', events: whats.map((what): Event => ({ event: (nth += 1), at_ms: 60_000, late: false, what })) };
}

const ROWING: Phase = { phase: 'rowing', go_at_ms: 50_000, repeat: 0, repeat_at_ms: 50_000 };

function piece(number: number, phase: Phase): PieceView {
  const spec = decodeSpec();
  return { piece: number, spec, phase, results: [] };
}

function decodeSpec(): PieceView['spec'] {
  const msg = example('welcome-coach.json');
  const spec = msg.type === 'welcome' ? msg.pieces[0]?.spec : undefined;
  if (spec === undefined) throw new Error('the example has no piece');
  return spec;
}

const PIECES: Partial<ServerWelcome> = { pieces: [piece(0, ROWING), piece(1, { phase: 'gathering' })] };

const CALL: SentCall = {
  call: 'd94a2c07-6e1b-4f83-b5c9-72a0e3f816bd',
  text: { shown: 'sit tall', spoken: '' },
  span: { until: 'strokes', strokes: 10 },
  sent_at_ms: 61_000,
  athletes: ['ilse'],
  replaced: [],
  sheet: null,
};

describe('a page that is connected', () => {
  test.each(readdirSync(folder))('takes %s in, whatever it is', (file) => {
    for (const first of ['welcome.json', 'welcome-coach.json']) {
      expect(session(heard(example(first), example(file))).code).toBe('KAMURETA');
    }
  });

  test('shows what stood last while the connection is lost, and says so', () => {
    const there = heard(welcome(PIECES), example('standings.json'));
    const lost = reduce(there, { news: 'lost', says: 'Nothing was heard.', code: null, again_in_ms: 90 });
    expect(lost.connected).toEqual({ is: 'lost', says: 'Nothing was heard.', code: null });
    expect(session(lost).standings?.lines).toHaveLength(5);
    const back = reduce(lost, { news: 'welcome', msg: welcome(PIECES) });
    expect(back.connected).toEqual({ is: 'here' });
    expect(session(back).standings?.lines).toHaveLength(5);
  });

  test('shows nothing of another journal', () => {
    const there = heard(welcome(PIECES), example('standings.json'), events({ kind: 'call_sent', ...CALL }), welcome({ ...PIECES, epoch: 'other' }));
    expect(session(there).standings).toBeNull();
    expect(session(there).calls).toEqual([]);
  });
});

describe('phases', () => {
  test('a piece comes into a phase, and nothing of the last one stands beside the next', () => {
    const there = heard(welcome(PIECES), example('overview.json'));
    expect(isUnderWay(currentPhase(session(there)))).toBe(true);
    const next = heard(welcome(PIECES), example('overview.json'), events({ kind: 'phase_changed', piece: 1, phase: { phase: 'armed' } }));
    expect(currentPhase(session(next))).toEqual({ phase: 'armed' });
    expect(session(next)).toMatchObject({ current: 1, standings: null, notices: [], details: [] });
    expect(session(next).pieces[0]?.phase).toEqual(ROWING);
  });

  test('what the welcome holds already changes nothing', () => {
    const late: ServerMsg = {
      type: 'events',
      events: [{ event: 16, at_ms: 1, late: true, what: { kind: 'phase_changed', piece: 0, phase: { phase: 'armed' } } }],
    };
    expect(currentPhase(session(heard(welcome(PIECES), late)))).toEqual(ROWING);
  });

  test('pieces that have not begun are replaced; those before stay', () => {
    const there = session(heard(welcome(PIECES), events({ kind: 'pieces_set', first: 1, pieces: [decodeSpec(), decodeSpec()] })));
    expect(there.pieces.map((one) => [one.piece, one.phase.phase])).toEqual([[0, 'rowing'], [1, 'gathering'], [2, 'gathering']]);
  });
});

describe('calls', () => {
  test('an athlete has one at a time, counts its strokes down, and sees that it is done', () => {
    const { call, text, span } = CALL;
    const mine = heard(welcome(PIECES), events({ kind: 'call', call, text, span }));
    expect(session(mine).call).toMatchObject({ strokes_left: 10, over: null });
    const own = example('own.json');
    if (own.type !== 'own') throw new Error('own.json is another message');
    const counted = reduce(mine, { news: 'said', msg: { ...own, call_strokes_left: 7 } });
    expect(session(counted).call?.strokes_left).toBe(7);
    const done = reduce(counted, { news: 'said', msg: events({ kind: 'call_ended', call }) });
    expect(session(done).call?.over).toEqual({ at_ms: 60_000, how: 'ended' });
  });

  test('armed, sent or taken back, over: a coach sees each', () => {
    const armed = heard(welcome(PIECES), events({ kind: 'call_armed', call: CALL.call, text: CALL.text, sends_at_ms: 62_000 }));
    expect(session(armed).armed?.text.shown).toBe('sit tall');
    const back = reduce(armed, { news: 'said', msg: events({ kind: 'call_taken_back', call: CALL.call }) });
    expect(session(back)).toMatchObject({ armed: null, calls: [] });
    const sent = reduce(armed, { news: 'said', msg: events({ kind: 'call_sent', ...CALL }) });
    expect(session(sent)).toMatchObject({ armed: null, calls: [{ over: null }] });
    const over = reduce(sent, { news: 'said', msg: events({ kind: 'call_ended', call: CALL.call }) });
    expect(session(over).calls[0]?.over?.how).toBe('ended');
    expect(session(over).calls[0]?.effect).toBeNull();
    const effect = { call: CALL.call, of: 1, faster: 1, against: 0, speed: { best_ppm: 8_400, half_ppm: 6_100 }, rate: null, stroke: null };
    const measured = reduce(over, { news: 'said', msg: events({ kind: 'call_effect', ...effect }) });
    expect(session(measured).calls[0]?.effect).toEqual(effect);
  });

  test('one call of the sheet that comes to each in their own time is one call', () => {
    const there = heard(
      welcome(PIECES),
      events({ kind: 'call_sent', ...CALL, sheet: 0 }),
      events({ kind: 'call_sent', ...CALL, sheet: 0, athletes: ['bo'], sent_at_ms: 64_000 }),
    );
    expect(session(there).calls).toMatchObject([{ athletes: ['ilse', 'bo'], sent_at_ms: 61_000 }]);
  });

  test('a page that is loaded in mid-piece finds the calls before, what came of them, and the armed one', () => {
    const at = (event: number, what: Happening): Event => ({ event, at_ms: 61_000 + event, late: true, what });
    const { text } = CALL;
    const calls = [
      at(9, { kind: 'call_armed', call: CALL.call, text, sends_at_ms: 61_000 }),
      at(10, { kind: 'call_sent', ...CALL }),
      at(11, { kind: 'call_ended', call: CALL.call }),
      at(12, { kind: 'call_sent', ...CALL, call: 'second' }),
      at(13, { kind: 'call_armed', call: 'third', text, sends_at_ms: 63_000 }),
    ];
    const there = session(heard({ ...welcome(PIECES), calls }));
    const seen = callsOfPiece(there).map(({ call, over }) => [call, over?.how ?? 'stands']);
    expect(seen).toEqual([[CALL.call, 'ended'], ['second', 'stands']]);
    expect(there.armed).toMatchObject({ call: 'third', sends_at_ms: 63_000 });
    expect(there.last_event).toBe(17);
  });

  test('a day of calls does not fill the memory', () => {
    const many = Array.from({ length: 500 }, (_, at) => events({ kind: 'call_sent', ...CALL, call: `call ${at}` }));
    expect(session(heard(welcome(PIECES), ...many)).calls).toHaveLength(200);
  });
});

test('results come one by one and again when late samples change them', () => {
  const results = example('events-results.json');
  const there = session(heard(welcome({ pieces: [piece(0, ROWING), piece(1, ROWING)] }), results, results));
  const named = there.pieces.flatMap((view) => view.results.map((result) => result.athlete));
  expect(named.length).toBeGreaterThan(0);
  expect(new Set(named).size).toBe(named.length);
});

test('an athlete who changes stays where they were in the list; a new one comes last', () => {
  const msg = example('events-athletes_changed.json');
  const roster = example('welcome-coach.json');
  const before = heard(roster);
  const after = session(reduce(before, { news: 'said', msg }));
  const names = (state: Session) => state.athletes.map((view) => view.athlete);
  expect(names(after).slice(0, names(session(before)).length)).toEqual(names(session(before)));
});

test('who is taken off the roster is gone from it, and from the results', () => {
  const msg = example('events-athletes_removed.json');
  const there = heard(example('welcome-coach.json'), example('events-athletes_changed.json'), example('events-results.json'));
  const of = (state: Session) => [state.athletes, ...state.pieces.map(({ results }) => results)].map((list) => list.map(({ athlete }) => athlete));
  const [what] = msg.type === 'events' ? msg.events.map(({ what }) => what) : [];
  const gone = what?.kind === 'athletes_removed' ? what.athletes : [];
  const before = of(session(there));
  expect(before[0]).toContain(gone[0]);
  const late = msg.type === 'events' ? { ...msg, events: msg.events.map((event) => ({ ...event, event: 10_000 })) } : msg;
  const after = of(session(reduce(there, { news: 'said', msg: late })));
  expect(after).toEqual(before.map((list) => list.filter((athlete) => !gone.includes(athlete))));
});

test('an order is answered by its name, and a refusal without one stands by itself', () => {
  const why = { why: 'not_now', says: 'The piece is being rowed.' } as const;
  const there = heard(welcome(), { type: 'done', command: 'a' }, { type: 'refused', command: 'b', refusal: why }, { type: 'refused', command: null, refusal: why });
  expect(there.answers.get('a')).toEqual({ done: true });
  expect(there.answers.get('b')).toEqual({ done: false, refusal: why });
  expect(there.refusal).toEqual(why);
});
