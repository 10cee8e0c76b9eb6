import { expect, test } from 'vitest';
import type { Event, ServerMsg } from '../protocol/decode';
import { FakedWorld, welcome } from './faked';
import { Link, type Entry, type LinkConfig, type News } from './socket';

interface Scene {
  readonly world: FakedWorld;
  readonly link: Link;
  readonly news: News[];
}

function scene(config: Partial<LinkConfig> = {}): Scene {
  const world = new FakedWorld();
  const news: News[] = [];
  const link = new Link({ role: 'board', entry: { secret: 's3cret' }, run: null, ...config }, world, (one) => news.push(one));
  return { world, link, news };
}

function inSession(config: Partial<LinkConfig> = {}, msg = welcome()): Scene {
  const there = scene(config);
  there.world.accept();
  there.world.say(msg);
  return there;
}

function closed(event: number): Event {
  return { event, at_ms: 5, late: false, what: { kind: 'session_closed' } };
}

/** Answers every question to the clock, as a server `ahead` of this device and at no distance would. */
function answerClock({ world }: Scene, ahead: number): number {
  const questions = world.heard().filter((msg) => msg.type === 'clock');
  for (const { client_sent_us } of questions) {
    const at = client_sent_us + ahead * 1_000;
    world.say({ type: 'clock', client_sent_us, server_heard_us: at, server_sent_us: at });
  }
  return questions.length;
}

test('a secret is said in hello, and nowhere else', () => {
  const { world, news } = inSession();
  expect(world.heard()[0]).toEqual({ type: 'hello', version_min: 1, version_max: 1, role: 'board', secret: 's3cret', run: null, at_ms: null, unacked_seq: null, device: null, take_seat: false, last_event: 0 });
  expect(news.map((one) => one.news)).toEqual(['welcome']);
  world.pass(20_000);
  expect(JSON.stringify(world.heard())).not.toContain('s3cret');
});

test('a seat is taken once: whoever has lost it to another device does not take it back by itself', () => {
  const { world } = scene({ role: 'athlete', takeSeat: true });
  world.accept();
  expect(world.heard()).toMatchObject([{ type: 'hello', take_seat: true }]);
  // Not let in yet: it still means to get in.
  world.end(1012);
  world.pass(1_000);
  world.accept();
  expect(world.heard()).toMatchObject([{ type: 'hello', take_seat: true }]);
  world.say(welcome());
  world.end(null);
  world.pass(1_000);
  world.accept();
  expect(world.heard().filter(({ type }) => type === 'hello')).toMatchObject([{ take_seat: false }]);
});

test.each<[Entry, ServerMsg, string]>([
  [{ type: 'join', code: 'KAMU RETA', name: 'Pia Lowther' }, { type: 'joined', athlete: 'a', name: 'Pia Lowther', secret: 'own' }, 'own'],
  [{ type: 'create', title: 'Weir' }, { type: 'created', session: 's', code: 'KAMURETA', coach_secret: 'lead', board_secret: 'show' }, 'lead'],
])('whoever comes without a secret gets one, and greets with it from then on', (entry, answer, secret) => {
  const { world, news } = scene({ role: 'athlete', entry });
  world.accept();
  expect(world.heard()).toEqual([entry]);
  world.say(answer);
  expect(world.heard()).toMatchObject([{ type: 'hello', secret }]);
  world.say(welcome());
  world.end(null);
  world.pass(1_000);
  world.accept();
  expect(world.heard().at(-1)).toMatchObject({ type: 'hello', secret });
  expect(news.map((one) => one.news)).toEqual(['entered', 'welcome', 'lost']);
});

test('a coach of the club leads what they have made by their own key, and anybody else by the link', () => {
  const create = { type: 'create', title: 'Weir', key: 'rosa' } as const;
  const created = { type: 'created', session: 's', code: 'KAMURETA', coach_secret: 'lead', board_secret: 'show' } as const;
  const by = { coach: 'c', name: 'Rosa' };
  for (const [answer, secret, code] of [[{ ...created, by }, 'rosa', 'KAMURETA'], [created, 'lead', undefined]] as const) {
    const { world } = scene({ role: 'coach', entry: create });
    world.accept();
    world.say(answer);
    const hello = world.heard().at(-1);
    expect(hello).toMatchObject({ type: 'hello', secret });
    expect((hello as { code?: string }).code).toBe(code);
  }
});

test('a name that is taken is told, and not tried again', () => {
  const { world, news } = scene({ entry: { type: 'join', code: 'KAMU RETA', name: 'Pia' } });
  world.accept();
  world.say({ type: 'refused', command: null, refusal: { why: 'name_taken', says: 'Somebody has this name.' } });
  world.pass(60_000);
  expect(news).toEqual([{ news: 'ended', says: 'Somebody has this name.', code: null }]);
  expect(world.opened).toBe(1);
});

// protocol/README.md, 'Staying there, and coming back': a heartbeat after a second without a message.
test('who has nothing to say says so once a second', () => {
  const { world, ...there } = inSession();
  world.pass(600);
  answerClock({ world, ...there }, 0);
  for (let second = 0; second < 10; second += 1) {
    world.say({ type: 'heartbeat', at_ms: 0 });
    world.pass(1_000);
    expect(world.heard()).toEqual([{ type: 'heartbeat' }]);
  }
});

test('six seconds of silence, and it connects again', () => {
  const { world, news } = inSession();
  world.pass(5_990);
  expect(world.opened).toBe(1);
  world.pass(20);
  expect(news.at(-1)).toMatchObject({ news: 'lost', again_in_ms: 100 });
  world.pass(101);
  expect(world.opened).toBe(2);
});

// The same section: a random wait of up to 0.2 s, then 0.4 s, 0.8 s … at most 4 s.
test('it waits longer each time, up to four seconds, and chance decides how long', () => {
  const { world, news } = scene();
  world.chances = [0.999, 0.999, 0.999, 0.999, 0.999, 0.999, 0.999, 0];
  for (let nth = 0; nth < 8; nth += 1) {
    world.end(null);
    world.pass(4_000);
  }
  const waits = news.map((one) => (one.news === 'lost' ? Math.round(one.again_in_ms / 10) * 10 : null));
  expect(waits).toEqual([200, 400, 800, 1_600, 4_000, 4_000, 4_000, 0].map((ms, nth) => (nth === 4 ? 3_200 : ms)));
});

test('after a connection that held, the next failure is a first one', () => {
  const there = inSession();
  there.world.end(null);
  there.world.pass(4_000);
  there.world.end(null);
  there.world.pass(4_000);
  there.world.accept();
  there.world.say(welcome());
  for (let nth = 0; nth < 10; nth += 1) {
    answerClock(there, 0);
    there.world.pass(60);
  }
  there.world.end(1001);
  expect(there.news.at(-1)).toMatchObject({ news: 'lost', again_in_ms: 100 });
});

test('a server that restarts says how long to stay away', () => {
  const { world, news } = inSession();
  world.say({ type: 'restart', after_ms: 1_730 });
  world.end(1012, 'The server restarts; come back in a moment.');
  expect(news.at(-1)).toEqual({ news: 'lost', says: 'The server restarts; come back in a moment.', code: 1012, again_in_ms: 1_830 });
});

test('a link that opens nothing is told and not tried again', () => {
  const { world, news } = scene();
  world.accept();
  world.end(4500, 'This link opens nothing here.');
  world.pass(60_000);
  expect(news).toEqual([{ news: 'ended', says: 'This link opens nothing here.', code: 4500 }]);
  expect(world.opened).toBe(1);
});

test('who comes back names the last event, and none is told twice', () => {
  const { world, news } = inSession();
  world.say({ type: 'events', events: [closed(18), closed(21)] });
  world.end(null);
  world.pass(1_000);
  world.heard();
  world.accept();
  expect(world.heard()).toMatchObject([{ type: 'hello', last_event: 21 }]);
  world.say(welcome({ last_event: 21 }));
  world.say({ type: 'events', events: [closed(21), closed(22)] });
  const told = news.flatMap((one) => (one.news === 'said' && one.msg.type === 'events' ? one.msg.events : []));
  expect(told.map(({ event }) => event)).toEqual([18, 21, 22]);
});

test('a server whose damaged journal has lost events counts them anew, and none of these is missed', () => {
  const { world, news } = inSession();
  world.say({ type: 'events', events: [closed(18), closed(21)] });
  world.end(null);
  world.pass(1_000);
  world.accept();
  world.say(welcome({ last_event: 19 }));
  world.say({ type: 'events', events: [closed(20)] });
  const told = news.flatMap((one) => (one.news === 'said' && one.msg.type === 'events' ? one.msg.events : []));
  expect(told.map(({ event }) => event)).toEqual([18, 21, 20]);
});

test('who comes back says from where on nothing was acknowledged', () => {
  const run = '7c1f0f3e-2d4b-4a59-9c36-8e5b1a70d2f4';
  const { world } = inSession({ role: 'athlete', run });
  world.say({ type: 'ack', durable: { run, through_seq: 9, beyond: [] }, refused: [], own: null, events: [] });
  world.end(null);
  world.pass(1_000);
  world.heard();
  world.accept();
  expect(world.heard()).toMatchObject([{ type: 'hello', run, unacked_seq: 10 }]);
});

test('what was acknowledged and is lost is named until it is there again', () => {
  const run = '7c1f0f3e-2d4b-4a59-9c36-8e5b1a70d2f4';
  const { world } = inSession({ role: 'athlete', run });
  const named = [9, 4, 4, 12].map((through_seq) => {
    world.end(null);
    world.pass(20_000);
    world.heard();
    world.accept();
    const hello = world.heard().at(-1);
    world.say(welcome({ durable: { run, through_seq, beyond: [] } }));
    return hello;
  });
  expect(named).toMatchObject([{ unacked_seq: 1 }, { unacked_seq: 10 }, { unacked_seq: 10 }, { unacked_seq: 10 }]);
});

test('who has heard of no event yet names the last one that the welcome held', () => {
  const { world } = inSession({}, welcome({ last_event: 17 }));
  world.end(null);
  world.pass(1_000);
  world.heard();
  world.accept();
  expect(world.heard()).toMatchObject([{ type: 'hello', last_event: 17 }]);
});

test('the first event of a new session is told to whoever made it', () => {
  const { world, news } = inSession({ role: 'coach' }, welcome({ last_event: 0 }));
  world.say({ type: 'events', events: [closed(1)] });
  expect(news.map((one) => one.news)).toEqual(['welcome', 'said']);
  expect(news.at(-1)).toMatchObject({ msg: { events: [{ event: 1 }] } });
});

test('another journal numbers its events from the start', () => {
  const { world, news } = inSession();
  world.say({ type: 'events', events: [closed(40)] });
  world.end(null);
  world.pass(1_000);
  world.accept();
  world.say(welcome({ epoch: 'other' }));
  world.say({ type: 'events', events: [closed(3)] });
  expect(news.at(-1)).toEqual({ news: 'said', msg: { type: 'events', events: [closed(3)] } });
});

test('the clock is asked eight times in half a second, then every fifteen, and told', () => {
  const there = inSession();
  const { world, link, news } = there;
  let questions = 0;
  for (let nth = 0; nth < 60; nth += 1) {
    questions += answerClock(there, 5_000_000);
    world.pass(10);
  }
  expect(questions).toBe(8);
  expect(link.now()).toBeCloseTo(5_000_000 + world.now(), 3);
  expect(link.bound()).toBeLessThanOrEqual(1);
  expect(news.at(-1)).toEqual({ news: 'clock_set' });
  for (let second = 0; second < 32; second += 1) {
    world.say({ type: 'heartbeat', at_ms: 0 });
    world.pass(1_000);
    questions += answerClock(there, 5_000_000);
  }
  expect(questions).toBe(10);
});

test('a session that runs ten times faster has a faster clock and faster heartbeats', () => {
  const there = inSession({}, welcome({ speed: 10, at_ms: 1_000 }));
  there.world.pass(200);
  expect(there.link.now()).toBeCloseTo(3_000, 0);
  answerClock(there, 0);
  there.world.pass(500);
  expect(there.world.heard().length).toBeGreaterThanOrEqual(4);
});

test('what nobody can hear is not taken for said, and a newer server disturbs nobody', () => {
  const { world, link, news } = scene();
  expect(link.say({ type: 'row_on' })).toBe(false);
  world.accept();
  world.say(welcome());
  world.sayText('{"type":"sing"}');
  world.sayText('no JSON');
  expect(news.map((one) => one.news)).toEqual(['welcome']);
  world.heard();
  expect(link.say({ type: 'row_on' })).toBe(true);
  expect(world.heard()).toEqual([{ type: 'row_on' }]);
  link.leave();
  world.pass(60_000);
  expect(link.say({ type: 'row_on' })).toBe(false);
  expect([world.opened, world.heard()]).toEqual([1, []]);
});
