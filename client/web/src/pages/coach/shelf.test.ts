import { expect, test } from 'vitest';
import { dropSession, keepHabits, keepKey, keepSession, keptHabits, keptKey, keptSessions } from './shelf';

function shelf(): { getItem: (name: string) => string | null; setItem: (name: string, value: string) => void } {
  const kept = new Map<string, string>();
  return { getItem: (name) => kept.get(name) ?? null, setItem: (name, value) => void kept.set(name, value) };
}

test('what is known of a session stays when something is added to it', () => {
  const here = shelf();
  keepSession(here, 'KAMURETA', { secret: 'lead', board: 'show' });
  keepSession(here, 'KAMURETA', { title: 'Weir', links: { ida: 'a' } });
  keepSession(here, 'KAMURETA', { links: { bo: 'b' } });
  keepSession(here, 'TAFARUJU', { secret: 'other' });
  expect(keptSessions(here)).toEqual([
    { code: 'TAFARUJU', title: '', secret: 'other', board: null, links: {} },
    { code: 'KAMURETA', title: 'Weir', secret: 'lead', board: 'show', links: { ida: 'a', bo: 'b' } },
  ]);
  dropSession(here, 'KAMURETA');
  expect(keptSessions(here).map(({ code }) => code)).toEqual(['TAFARUJU']);
});

test('only so many sessions are kept, and what is broken is nothing', () => {
  const here = shelf();
  for (let nth = 0; nth < 30; nth += 1) keepSession(here, `CODE${nth}`, { secret: String(nth) });
  expect(keptSessions(here).length).toBe(20);
  expect(keptSessions(here)[0]?.code).toBe('CODE29');
  here.setItem('thole coach sessions', '{"sessions":[{"code":7},null]}');
  expect(keptSessions(here)).toEqual([]);
  here.setItem('thole coach sessions', 'no JSON');
  expect(keptSessions(here)).toEqual([]);
});

test('habits are remembered', () => {
  const here = shelf();
  expect(keptHabits(here)).toEqual({ singleKeys: true, keys: {}, span: '10 strokes' });
  keepHabits(here, { singleKeys: false, keys: { 'call 2': 'KeyJ' }, span: '30s' });
  expect(keptHabits(here)).toEqual({ singleKeys: false, keys: { 'call 2': 'KeyJ' }, span: '30s' });
  here.setItem('thole coach habits', '{"singleKeys":false,"span":"30s"}');
  expect(keptHabits(here)).toEqual({ singleKeys: false, keys: {}, span: '30s' });
});

test('the head coach\'s key stays on this device until another one takes its place', () => {
  const kept = new Map<string, string>();
  const here = { getItem: (name: string) => kept.get(name) ?? null, setItem: (name: string, value: string) => void kept.set(name, value), removeItem: (name: string) => void kept.delete(name) };
  expect(keptKey(here)).toBe('');
  keepKey(here, 'first');
  keepKey(here, 'second');
  expect(keptKey(here)).toBe('second');
  keepKey(here, '');
  expect(kept.size).toBe(0);
});
