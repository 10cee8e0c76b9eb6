import { expect, test } from 'vitest';
import { placeOf, searchOf, type Place } from './places';

test('what stands in the address is found again, and what makes no sense is today', () => {
  const places: Place[] = [{ at: 'today' }, { at: 'people' }, { at: 'results' }, { at: 'person', id: 'a b&c' }, { at: 'group', id: 'g' }, { at: 'evening', id: '1' }, { at: 'result', id: '2' }];
  for (const place of places) expect(placeOf(searchOf(place))).toEqual(place);
  for (const search of ['?show=secrets', '?person=', '?', '?else=1']) expect(placeOf(search)).toEqual({ at: 'today' });
});
