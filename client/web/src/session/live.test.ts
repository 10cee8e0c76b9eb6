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
