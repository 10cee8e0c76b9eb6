// The club as whoever asks sees it: who they are, and where in the page.
import { club as texts } from '#texts';
import { Asking, type Answer, type Query, type Sent } from '../../club/ask';
import type { Myself } from '../../protocol/club';
import { isFields } from '../../protocol/decode';
import { placeOf, searchOf, type Place } from './places';

export type Opened =
  | { readonly is: 'opening' }
  | { readonly is: 'keyless' }
  | { readonly is: 'refused'; readonly status: number; readonly says: string }
  | { readonly is: 'open'; readonly me: Myself };

/** What was done last, and the number under which it is undone. */
export interface Told {
  readonly says: string;
  readonly deed: number | null;
}

export class Club {
  opened: Opened = $state.raw({ is: 'opening' });
  place: Place = $state.raw({ at: 'today' });
  /** Said until something else is done, or another place is looked at. */
  told: Told | null = $state.raw(null);
  /** Counts what was done here: what is shown is asked for again. */
  #done = $state(0);
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

  /** Whether whoever asks may change something: assistants read. */
  get changes(): boolean {
    return this.opened.is === 'open' && (this.opened.me.role === 'coach' || this.opened.me.role === 'head');
  }

  go(place: Place): void {
    history.pushState(null, '', this.address(place));
    this.place = place;
    this.told = null;
    scrollTo(0, 0);
  }

  /** What the address says now: somebody has gone back, or forward. */
  wentBack(): void {
    this.place = placeOf(location.search);
  }

  read<Value>(path: string, query: Query = {}): Promise<Answer<Value>> {
    // Whoever asks while they draw is asked to draw again after a change.
    void this.#done;
    return this.#using((asking) => asking.read<Value>(path, query));
  }

  readText(path: string, query: Query = {}): Promise<Answer<string>> {
    return this.#using((asking) => asking.readText(path, query));
  }

  /** Asks what needs to send something along; nothing is changed by it. */
  ask<Value>(path: string, body: unknown): Promise<Answer<Value>> {
    return this.#using((asking) => asking.send<Value>('POST', path, { body }));
  }

  /** Does something; `says` is what there is to say when it is done. */
  async send<Value>(method: 'POST' | 'PATCH' | 'DELETE', path: string, sent: Sent, says: (value: Value) => string): Promise<Answer<Value>> {
    const answer = await this.#using((asking) => asking.send<Value>(method, path, sent));
    if (answer.ok) {
      this.told = { says: says(answer.value), deed: deedOf(answer.value) };
      this.#done += 1;
    }
    return answer;
  }

  /** Takes back what was done last. */
  async undo(deed: number): Promise<void> {
    const answer = await this.send('POST', `/deeds/${deed}/undo`, {}, () => texts.undone);
    // It stays there to be tried again.
    if (!answer.ok) this.told = { says: answer.says, deed };
  }

  #using<Value>(ask: (asking: Asking) => Promise<Answer<Value>>): Promise<Answer<Value>> {
    // Nothing is shown that asks before it is open.
    if (this.#asking === null) throw new Error('The club was asked before it was opened.');
    return ask(this.#asking);
  }
}

function deedOf(value: unknown): number | null {
  return isFields(value) && typeof value['deed'] === 'number' ? value['deed'] : null;
}
