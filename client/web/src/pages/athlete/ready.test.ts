import { expect, test } from 'vitest';
import { ROWING, session } from './faked';
import { missing } from './ready';

test('what is still to do is told in the order in which it is done', () => {
  const nothing = { cautions: false, machine: false, rehearsed: false, clock: true };
  expect(missing(session({ phase: 'gathering' }), nothing)).toEqual(['cautions', 'target', 'machine']);
  expect(missing(session({ phase: 'gathering' }), { ...nothing, cautions: true, machine: true })).toEqual(['target', 'rehearsal']);
  // Once it is rowed there is neither a target to be set nor time to rehearse.
  expect(missing(session(ROWING), nothing)).toEqual(['cautions', 'machine']);
  expect(missing(session(ROWING), { ...nothing, cautions: true, machine: true })).toEqual([]);
});
