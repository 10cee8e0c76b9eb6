import { expect, test } from 'vitest';
import { rowed } from './faked';
import { bestOf, dotsOf, worksOf } from './history';

test('what is better stands higher, whether it counts time or metres', () => {
  const times = [rowed(3), rowed(2), rowed(1)];
  expect(dotsOf(times, '1700m').map(({ across, up }) => [across, up])).toEqual([[0, 0], [0.5, 0.5], [1, 1]]);
  const metres = [4_000, 4_200].map((dm, nth) => rowed(nth, { work: '12min', shown: { want: 'distance', distance_dm: dm } })).reverse();
  expect(dotsOf(metres, '12min').map(({ up }) => up)).toEqual([0, 1]);
});

test('one result stands in the middle, and none draws nothing', () => {
  expect(dotsOf([rowed(1)], '1700m').map(({ across, up }) => [across, up])).toEqual([[0.5, 0.5]]);
  expect(dotsOf([], '1700m')).toEqual([]);
  expect(bestOf([], '1700m')).toBeNull();
});

test('of equals the one that was first is the best, and what was not finished is none', () => {
  const same = { shown: { want: 'finish', finish_ms: 390_000 } } as const;
  const results = [rowed(5, { outcome: 'stopped', shown: null }), rowed(4, same), rowed(3, same), rowed(1)];
  expect(bestOf(results, '1700m')?.result).toBe('result-3');
});

test('the piece that was rowed most often comes first; of as many the one rowed last', () => {
  expect(worksOf([rowed(4, { work: '500m' }), rowed(3), rowed(2), rowed(1, { work: '2000m' })])).toEqual(['1700m', '500m', '2000m']);
});
