// The club as whoever asks sees it: who they are, and where in the page.
import { Asking, type Answer, type Query } from '../../club/ask';
import type { Myself } from '../../protocol/club';
import { placeOf, searchOf, type Place } from './places';

export type Opened =
  | { readonly is: 'opening' }
  | { readonly is: 'keyless' }
  | { readonly is: 'refused'; readonly status: number; readonly says: string }
  | { readonly is: 'open'; readonly me: Myself };

export class Club {
  opened: Opened = $state.raw({ is: 'opening' });
  place: Place = $state.raw({ at: 'today' });
  readonly #base: string;
  #asking: Asking | null = null;

  /** `base` is the path of the page, as `/club/`. */
  constructor(base: string, search: string) {
    this.#base = base;
    this.place = placeOf(search);
  }

  /** The address of a place in this page. */
  address(place: Place): string {
    return `${this.#base}${searchOf(place)}`;
  }

  async open(key: string): Promise<void> {
    if (key === '') {
      this.opened = { is: 'keyless' };
      return;
    }
    this.#asking = new Asking(key);
    const answer = await this.#asking.read<Myself>('/me');
    this.opened = answer.ok ? { is: 'open', me: answer.value } : { is: 'refused', status: answer.status, says: answer.says };
  }

  /** Whether a coach asks, who sees everybody's. */
  get coaches(): boolean {
    return this.opened.is === 'open' && this.opened.me.role !== 'person';
  }

  go(place: Place): void {
    history.pushState(null, '', this.address(place));
    this.place = place;
    scrollTo(0, 0);
  }

  /** What the address says now: somebody has gone back, or forward. */
  wentBack(): void {
    this.place = placeOf(location.search);
  }

  read<Value>(path: string, query: Query = {}): Promise<Answer<Value>> {
    return this.#using((asking) => asking.read<Value>(path, query));
  }

  #using<Value>(ask: (asking: Asking) => Promise<Answer<Value>>): Promise<Answer<Value>> {
    // Nothing is shown that asks before it is open.
    if (this.#asking === null) throw new Error('The club was asked before it was opened.');
    return ask(this.#asking);
  }
}
