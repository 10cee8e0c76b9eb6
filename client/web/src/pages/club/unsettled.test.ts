import { expect, test } from 'vitest';
import { rowed } from './faked';
import { unsettled } from './unsettled';

test('who was cut off, whose machine was reset and whose target was meant for another piece stand first; the others do not', () => {
  const far = rowed(3, { margin: { margin_ppm: 750_000, margin_ms: 300_000, margin_dm: null } });
  const slow = rowed(4, { margin: { margin_ppm: -80_001, margin_ms: -30_000, margin_dm: null } });
  const near = rowed(5, { margin: { margin_ppm: 80_000, margin_ms: 30_000, margin_dm: null } });
  const found = unsettled([rowed(1, { outcome: 'unfinished' }), rowed(2, { marks: ['joined'] }), far, slow, near, rowed(6), rowed(7, { outcome: 'did_not_start' })]);
  expect(found.map(({ result }) => result.result)).toEqual(['result-1', 'result-2', 'result-3', 'result-4']);
  expect(found[2]?.why).toEqual(['faster than the target by 75 %: was the target meant for another piece?']);
  expect(found[3]?.why[0]).toMatch(/^slower than the target by 8 %/);
});
