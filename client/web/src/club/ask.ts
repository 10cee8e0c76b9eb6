// Asking the club over HTTP: one call, one answer, however often it has to be sent. What goes wrong comes back as a sentence that says what to do, never as an
// exception, so that a page can show it where it was asked.
import { club as texts } from '#texts';
import { restored } from '../protocol/decode';
import { newId } from '../session/id';

/** What came of asking. */
export type Answer<Value> =
  | { readonly ok: true; readonly value: Value; readonly version?: string }
  /** `status` is 0 when the server could not be reached. */
  | { readonly ok: false; readonly says: string; readonly status: number };

/** What narrows a list; what is undefined or empty narrows nothing. */
export type Query = Readonly<Record<string, string | number | undefined>>;

/** What is sent along with what changes something. */
export interface Sent {
  readonly body?: unknown;
  /** The version of what is changed, as it was read: whoever was faster is not overwritten. */
  readonly version?: string;
}

export type Fetch = (address: string, init: RequestInit) => Promise<Response>;

/** Asks the club, with one key. */
export class Asking {
  readonly #key: string;
  readonly #fetch: Fetch;
  /** What was sent and not answered: sent again, it is the same once more and not another. */
  readonly #unanswered = new Map<string, string>();

  constructor(key: string, fetching: Fetch = (address, init) => fetch(address, init)) {
    this.#key = key;
    this.#fetch = fetching;
  }

  /** Reads. `path` is behind `/api/club`, as `/people`. */
  async read<Value>(path: string, query: Query = {}): Promise<Answer<Value>> {
    return this.#ask(`${path}${queryText(query)}`, 'GET', {});
  }

  /** Reads what is not JSON, as a table for spreadsheets. */
  async readText(path: string, query: Query = {}): Promise<Answer<string>> {
    return this.#fetched(`${path}${queryText(query)}`, { method: 'GET', headers: {} }, (text) => text);
  }

  /** Does something. When no answer comes, the same may be sent again: it is done once. */
  async send<Value>(method: 'POST' | 'PATCH' | 'DELETE', path: string, { body, version }: Sent = {}): Promise<Answer<Value>> {
    const headers: Record<string, string> = {};
    const text = body === undefined ? null : JSON.stringify(body);
    if (text !== null) headers['content-type'] = 'application/json';
    if (version !== undefined) headers['if-match'] = version;
    const what = `${method} ${path} ${text ?? ''}`;
    if (method === 'POST') {
      const once = this.#unanswered.get(what) ?? newId();
      this.#unanswered.set(what, once);
      headers['idempotency-key'] = once;
    }
    const answer = await this.#ask<Value>(path, method, { headers, body: text });
    if (answer.ok || !mayBeDone(answer.status)) this.#unanswered.delete(what);
    return answer;
  }

  #ask<Value>(path: string, method: string, { headers = {}, body = null }: { headers?: Record<string, string>; body?: string | null }): Promise<Answer<Value>> {
    return this.#fetched(path, { method, headers, body }, (text) => restored<{ value: Value }>(`{"value":${text === '' ? 'null' : text}}`, () => true)?.value);
  }

  async #fetched<Value>(path: string, init: { method: string; headers: Record<string, string>; body?: string | null }, read: (text: string) => Value | undefined): Promise<Answer<Value>> {
    try {
      const headers = { ...init.headers, authorization: `Bearer ${this.#key}` };
      const response = await this.#fetch(`/api/club${path}`, { ...init, headers, cache: 'no-store' });
      const text = await response.text();
      if (!response.ok) return { ok: false, says: detailOf(text), status: response.status };
      const value = read(text);
      if (value === undefined) return { ok: false, says: texts.notUnderstood, status: response.status };
      const version = response.headers.get('etag');
      return { ok: true, value, ...(version === null ? {} : { version }) };
    } catch {
      // The browser tells a page no more than that nothing came.
      return { ok: false, says: texts.outOfReach, status: 0 };
    }
  }
}

/** Whether it may have been done though the answer says nothing of the kind: none came, or the server had no time. */
function mayBeDone(status: number): boolean {
  return status === 0 || status >= 500;
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
