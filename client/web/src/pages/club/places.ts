// Where in the club's page somebody is, as its address says: what is looked at can be reloaded, gone back to, and kept as a
// bookmark. Identities of people and results open nothing, so they may stand there; keys never do.

export type Place =
  | { readonly at: 'today' }
  | { readonly at: 'people' }
  | { readonly at: 'results' }
  | { readonly at: 'club' }
  | { readonly at: 'person'; readonly id: string }
  | { readonly at: 'group'; readonly id: string }
  | { readonly at: 'evening'; readonly id: string }
  | { readonly at: 'result'; readonly id: string };

const LISTS = ['people', 'results', 'club'] as const;
const SINGLE = ['person', 'group', 'evening', 'result'] as const;

export function placeOf(search: string): Place {
  const asked = new URLSearchParams(search);
  for (const at of SINGLE) {
    const id = asked.get(at);
    if (id !== null && id !== '') return { at, id };
  }
  const list = LISTS.find((at) => asked.get('show') === at);
  return list === undefined ? { at: 'today' } : { at: list };
}

/** What stands behind the path of the page. */
export function searchOf(place: Place): string {
  if ('id' in place) return `?${place.at}=${encodeURIComponent(place.id)}`;
  return place.at === 'today' ? '' : `?show=${place.at}`;
}
