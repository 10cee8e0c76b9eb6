import { expect, test } from 'vitest';
import { FakedWorld, welcome } from './faked';
import { Live } from './live.svelte';

function commands(world: FakedWorld): string[] {
  return world.heard().flatMap((msg) => (msg.type === 'command' ? [msg.command] : []));
}

test('an order is said again until it is answered; what no connection has carried can be taken back', () => {
  const world = new FakedWorld();
  const live = new Live(world);
  live.enter('board', { secret: 's3cret' });
  world.accept();
  world.say(welcome());
  const carried = live.order({ do: 'arm' });
  expect(commands(world)).toEqual([carried]);
  expect(live.unanswered).toMatchObject([{ msg: { command: carried }, said: true }]);
  world.end(null);
  const kept = live.order({ do: 'stop' });
  const dropped = live.order({ do: 'disarm' });
  expect(live.unanswered.map(({ said }) => said)).toEqual([true, false, false]);
  // Who knows whether the first one arrived?
  expect([live.unask(carried), live.unask(dropped)]).toEqual([false, true]);
  expect(commands(world)).toEqual([]);
  world.pass(10_000);
  world.accept();
  world.say(welcome());
  expect(commands(world)).toEqual([carried, kept]);
  expect(live.unanswered.map(({ said }) => said)).toEqual([true, true]);
  world.say({ type: 'done', command: carried });
  expect(live.unanswered).toMatchObject([{ msg: { command: kept } }]);
  live.leave();
});

test('the newest of a kind takes the place of one without an answer, and nothing is said twice or by somebody else', () => {
  const world = new FakedWorld();
  const live = new Live(world);
  const stop = (command: string) => ({ type: 'stop_rowing', command }) as const;
  const rowOn = (command: string) => ({ type: 'row_on', command }) as const;
  const said = () => world.heard().flatMap((msg) => (msg.type === 'stop_rowing' || msg.type === 'row_on' ? [msg.command] : []));
  let asks = (): void => undefined;
  live.enter('board', { secret: 's3cret' }, null, ({ news }) => news === 'welcome' && asks());
  world.accept();
  world.say(welcome());
  const first = live.ask(stop);
  const second = live.ask(rowOn, first);
  expect(said()).toEqual([first, second]);
  expect([live.waits(first), live.waits(second)]).toEqual([false, true]);
  // The connection drops right after sending: the answer is lost, what was said is not.
  world.end(null);
  const news: string[] = [];
  asks = () => void news.push(live.ask(stop));
  world.pass(10_000);
  world.accept();
  world.say(welcome());
  expect(said()).toEqual([...news, second]);
  // Whoever sits down next says nothing of theirs.
  live.leave();
  asks = () => undefined;
  live.enter('board', { secret: 'another' });
  world.accept();
  world.say(welcome());
  expect(said()).toEqual([]);
  live.leave();
});
