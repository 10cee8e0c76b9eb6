// Asking the club over HTTP: one call, one answer. What goes wrong comes back as a sentence that says what to do, never as an
// exception, so that a page can show it where it was asked.
import { club as texts } from '#texts';
import { restored } from '../protocol/decode';

/** What came of asking. */
export type Answer<Value> =
  | { readonly ok: true; readonly value: Value }
  /** `status` is 0 when the server could not be reached. */
  | { readonly ok: false; readonly says: string; readonly status: number };

/** What narrows a list; what is undefined or empty narrows nothing. */
export type Query = Readonly<Record<string, string | number | undefined>>;

export type Fetch = (address: string, init: RequestInit) => Promise<Response>;

/** Asks the club, with one key. */
export class Asking {
  readonly #key: string;
  readonly #fetch: Fetch;

  constructor(key: string, fetching: Fetch = (address, init) => fetch(address, init)) {
    this.#key = key;
    this.#fetch = fetching;
  }

  /** Reads. `path` is behind `/api/club`, as `/people`. */
  async read<Value>(path: string, query: Query = {}): Promise<Answer<Value>> {
    return this.#ask(`${path}${queryText(query)}`);
  }

  async #ask<Value>(path: string): Promise<Answer<Value>> {
    const init: RequestInit = { headers: { authorization: `Bearer ${this.#key}` }, cache: 'no-store' };
    try {
      const response = await this.#fetch(`/api/club${path}`, init);
      const text = await response.text();
      if (!response.ok) return { ok: false, says: detailOf(text), status: response.status };
      const value = restored<Value>(text, () => true);
      if (value === null) return { ok: false, says: texts.notUnderstood, status: response.status };
      return { ok: true, value };
    } catch {
      // The browser tells a page no more than that nothing came.
      return { ok: false, says: texts.outOfReach, status: 0 };
    }
  }
}

/** What a problem document (RFC 9457) says to do. */
function detailOf(text: string): string {
  const problem = restored<{ detail: string }>(text, ({ detail }) => typeof detail === 'string');
  return problem?.detail ?? texts.notUnderstood;
}

function queryText(query: Query): string {
  const narrowing = Object.entries(query).filter((entry): entry is [string, string | number] => entry[1] !== undefined && entry[1] !== '');
  return narrowing.length === 0 ? '' : `?${new URLSearchParams(narrowing.map(([name, value]) => [name, String(value)])).toString()}`;
}
