import { expect, test } from 'vitest';
import type { RunId, Sample } from '../protocol/decode';
import { FakedWorld, welcome } from './faked';
import { Recorder } from './recorder';
import { Link } from './socket';
import type { Store, Waiting } from './store';

const RUN = '7c1f0f3e-2d4b-4a59-9c36-8e5b1a70d2f4';

/** A disk that outlives the page. */
class FakedStore implements Store {
  readonly samples = new Map<string, Sample>();
  readonly waiting = new Map<string, Waiting>();
  load(run: RunId) {
    const of = <Kept>(shelf: ReadonlyMap<string, Kept>) => [...shelf].filter(([name]) => name.startsWith(run)).map(([, kept]) => kept);
    return Promise.resolve({ samples: of(this.samples), waiting: of(this.waiting) });
  }
  add(run: RunId, sample: Sample, waited: number | null): void {
    this.samples.set(`${run} ${sample.seq}`, sample);
    if (waited !== null) this.waiting.delete(`${run} ${waited}`);
  }
  wait(run: RunId, report: Waiting): void {
    this.waiting.set(`${run} ${report.nth}`, report);
  }
  forget(run: RunId, throughSeq: number): void {
    for (const [name, { seq }] of this.samples) if (name.startsWith(run) && seq <= throughSeq) this.samples.delete(name);
  }
}

async function opened(store: Store, world = new FakedWorld()) {
  const recorder = await Recorder.open(RUN, store, world);
  const link = new Link({ role: 'athlete', entry: { secret: 's' }, run: RUN }, world, (news) => recorder.hear(news));
  recorder.over(link);
  return { world, recorder, link };
}

function welcomedAt(world: FakedWorld, atMs: number, through = 0): void {
  world.accept();
  world.say(welcome({ at_ms: atMs, durable: { run: RUN, through_seq: through, beyond: [] } }));
}

function sent(world: FakedWorld): [seq: number, heardMs: number][] {
  return world.heard().flatMap((msg) => (msg.type === 'samples' ? msg.samples.map(({ seq, heard_ms }): [number, number] => [seq, heard_ms]) : []));
}

function ack(world: FakedWorld, through: number): void {
  world.say({ type: 'ack', durable: { run: RUN, through_seq: through, beyond: [] }, refused: [], own: null, events: [] });
}

test('a sample goes out at once, again without an answer, and no more when it is durable', async () => {
  const { world, recorder } = await opened(new FakedStore());
  welcomedAt(world, 50_000);
  recorder.record({ distance_dm: 74 });
  expect(sent(world)).toEqual([[1, 50_000]]);
  world.pass(1_400);
  expect(sent(world)).toEqual([]);
  world.pass(400);
  expect(sent(world)).toEqual([[1, 50_000]]);
  ack(world, 1);
  expect(recorder.pending).toBe(0);
  world.pass(3_000);
  expect(sent(world)).toEqual([]);
});

test('what is rowed without a connection is sent after it, dated as it was rowed', async () => {
  const { world, recorder } = await opened(new FakedStore());
  welcomedAt(world, 50_000);
  recorder.record({ distance_dm: 74 });
  world.pass(10);
  ack(world, 1);
  sent(world);
  world.end(null);
  recorder.record({ distance_dm: 150 });
  world.pass(2_000);
  recorder.record({ distance_dm: 230 });
  expect(sent(world)).toEqual([]);
  welcomedAt(world, 52_010, 1);
  expect(sent(world)).toEqual([[2, 50_010], [3, 52_010]]);
});

test('a page that is loaded anew while the server is away loses nothing', async () => {
  const store = new FakedStore();
  const before = await opened(store);
  welcomedAt(before.world, 50_000);
  before.recorder.record({ distance_dm: 74 });
  before.world.end(null);
  before.world.pass(1_000);
  before.recorder.record({ distance_dm: 150 });
  before.recorder.stop();
  const { world, recorder } = await opened(store);
  recorder.record({ distance_dm: 230 });
  world.pass(2_000);
  expect(recorder.pending).toBe(3);
  welcomedAt(world, 60_000, 1);
  // The third was heard two seconds before the clock was known.
  expect(sent(world)).toEqual([[2, 51_000], [3, 58_000]]);
});

test('page after page is opened while the server is away: nothing is lost, and nothing is twice', async () => {
  const store = new FakedStore();
  const first = await opened(store, new FakedWorld(1_000_000));
  first.recorder.record({ distance_dm: 74 });
  first.world.pass(2_000);
  first.recorder.record({ distance_dm: 150 });
  first.recorder.stop();
  // Five seconds after the first page was opened, the next one.
  const second = await opened(store, new FakedWorld(1_005_000));
  second.recorder.record({ distance_dm: 230 });
  second.recorder.stop();
  const third = await opened(store, new FakedWorld(1_008_000));
  expect(third.recorder.pending).toBe(3);
  third.world.pass(1_000);
  welcomedAt(third.world, 60_000);
  expect(sent(third.world)).toEqual([[1, 51_000], [2, 53_000], [3, 56_000]]);
  expect(store.waiting.size).toBe(0);
  // One more page: all of it is a sample now.
  const fourth = await opened(store, new FakedWorld(1_010_000));
  expect(fourth.recorder.pending).toBe(3);
});

test('a clock on the wall that is set changes no order and dates nothing into the time to come', async () => {
  const store = new FakedStore();
  const first = await opened(store, new FakedWorld(9_000_000));
  first.recorder.record({ distance_dm: 74 });
  first.recorder.stop();
  // It was hours ahead, and is right now.
  const { world, recorder } = await opened(store, new FakedWorld(1_000_000));
  recorder.record({ distance_dm: 150 });
  world.pass(3_000);
  welcomedAt(world, 60_000);
  expect(sent(world)).toEqual([[1, 60_000], [2, 60_000]]);
});

test('what is final is dropped from the disk, and only when it is durable', async () => {
  const store = new FakedStore();
  const { world, recorder } = await opened(store);
  welcomedAt(world, 50_000);
  recorder.record({ distance_dm: 74 });
  ack(world, 1);
  recorder.record({ distance_dm: 150 });
  recorder.forget(99_000);
  expect([...store.samples.values()].map(({ seq }) => seq)).toEqual([2]);
});

test('of a machine that reports ten times a second four are recorded', async () => {
  const store = new FakedStore();
  const { world, recorder } = await opened(store);
  welcomedAt(world, 50_000);
  for (let nth = 0; nth < 600; nth += 1) {
    recorder.record({ distance_dm: 4 * nth });
    world.pass(100);
  }
  expect(store.samples.size).toBeGreaterThanOrEqual(240);
  expect(store.samples.size).toBeLessThanOrEqual(280);
});
