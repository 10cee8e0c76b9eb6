import { expect, test } from 'vitest';
import { Asking, type Fetch } from './ask';

interface Heard {
  readonly address: string;
  readonly init: RequestInit;
}

function answering(status: number, body: string, headers: HeadersInit = {}): { heard: Heard[]; fetching: Fetch } {
  const heard: Heard[] = [];
  const fetching: Fetch = (address, init) => {
    heard.push({ address, init });
    return Promise.resolve(new Response(body, { status, headers }));
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

test('what got no answer is the same when it is sent again; what was answered, or is another, is new', async () => {
  const keys: (string | null)[] = [];
  let answers: readonly (number | null)[] = [null, 503, 200, 200, 422, 422, 200];
  const asking = new Asking('k', (_, init) => {
    keys.push(new Headers(init.headers).get('idempotency-key'));
    const [status = 200, ...rest] = answers;
    answers = rest;
    return status === null ? Promise.reject(new TypeError('Failed to fetch')) : Promise.resolve(new Response('{"deed":1}', { status }));
  });
  const give = (person: string): Promise<unknown> => asking.send('POST', '/results/r/give', { body: { person } });
  for (const person of ['ana', 'ana', 'ana', 'ana', 'ana', 'ana', 'bo']) await give(person);
  const [lost, busy, done, again, refused, afterRefused, other] = keys;
  expect(lost).toMatch(/^[0-9a-f-]{36}$/);
  expect([busy, done]).toEqual([lost, lost]);
  expect(new Set([lost, again, refused, afterRefused, other]).size).toBe(5);
});

test('the version that was read goes along with a change, and what is read has one', async () => {
  const { heard, fetching } = answering(200, '{"called":"Ana"}', { etag: '"7"' });
  const asking = new Asking('k', fetching);
  expect(await asking.read('/people/p')).toEqual({ ok: true, value: { called: 'Ana' }, version: '"7"' });
  await asking.send('PATCH', '/people/p', { body: { called: 'Anna' }, version: '"7"' });
  const headers = new Headers(heard[1]?.init.headers);
  expect([headers.get('if-match'), headers.get('idempotency-key'), heard[1]?.init.method]).toEqual(['"7"', null, 'PATCH']);
});

test('an answer without words is one, and a table is not read as JSON', async () => {
  expect(await new Asking('k', () => Promise.resolve(new Response(null, { status: 204 }))).send('DELETE', '/me/keys')).toEqual({ ok: true, value: null });
  expect(await new Asking('k', answering(200, 'name,day\r\n').fetching).readText('/export', { what: 'people' })).toEqual({ ok: true, value: 'name,day\r\n' });
});
