// Whose a guest's results are, as a coach types it.
import type { PersonLine } from '../../protocol/club';
import { folded } from './today';

export type Owner =
  | { readonly is: 'nobody' }
  /** Somebody whom the club does not know yet. */
  | { readonly is: 'new'; readonly called: string }
  | { readonly is: 'known'; readonly person: PersonLine }
  /** More than one has this name: which, only the years can say. */
  | { readonly is: 'several'; readonly people: readonly PersonLine[] };

export function ownerOf(people: readonly PersonLine[], typed: string): Owner {
  const called = typed.trim().split(/\s+/).join(' ');
  if (called === '') return { is: 'nobody' };
  const named = people.filter((one) => one.merged_into === null && folded(one.called) === folded(called));
  const [one, ...others] = named;
  if (one === undefined) return { is: 'new', called };
  return others.length === 0 ? { is: 'known', person: one } : { is: 'several', people: named };
}

/** The name to begin with: that of the only person who is called so, or of whom it is the first name alone. */
export function guessed(people: readonly PersonLine[], guest: string): string {
  const wanted = folded(guest);
  if (wanted === '') return '';
  const now = people.filter(({ merged_into }) => merged_into === null);
  const same = now.filter(({ called }) => folded(called) === wanted);
  const alike = same.length > 0 ? same : now.filter(({ called }) => folded(called).startsWith(`${wanted} `));
  return alike.length === 1 ? (alike[0]?.called ?? guest) : guest;
}
