import { expect, test } from 'vitest';
import { Asking, type Fetch } from './ask';

interface Heard {
  readonly address: string;
  readonly init: RequestInit;
}

function answering(status: number, body: string): { heard: Heard[]; fetching: Fetch } {
  const heard: Heard[] = [];
  const fetching: Fetch = (address, init) => {
    heard.push({ address, init });
    return Promise.resolve(new Response(body, { status }));
  };
  return { heard, fetching };
}

test('the key goes in a header and never in the address, and what is empty narrows nothing', async () => {
  const { heard, fetching } = answering(200, '{"people":[]}');
  const answer = await new Asking('the-key', fetching).read('/people', { name: 'Ana & Bo', from: '', most: undefined });
  expect(answer).toEqual({ ok: true, value: { people: [] } });
  expect(heard[0]?.address).toBe('/api/club/people?name=Ana+%26+Bo');
  expect(new Headers(heard[0]?.init.headers).get('authorization')).toBe('Bearer the-key');
});

test('a problem is said as the server says it', async () => {
  const { fetching } = answering(422, '{"type":"urn:thole:refused","detail":"Type a name."}');
  expect(await new Asking('k', fetching).read('/people')).toEqual({ ok: false, says: 'Type a name.', status: 422 });
});

test('what cannot be read, and a server that is not there, are sentences and no exceptions', async () => {
  const odd = await new Asking('k', answering(200, '<html>').fetching).read('/people');
  expect(odd.ok).toBe(false);
  const none = await new Asking('k', () => Promise.reject(new TypeError('Failed to fetch'))).read('/people');
  expect(none).toMatchObject({ ok: false, status: 0 });
});
