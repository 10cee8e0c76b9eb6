import { expect, test } from 'vitest';
import { athlete, athleteAims, athletePrepare, athleteResult, ui } from '#texts';
import { endedText } from './ended';

/** Everything that a section says; where it is a function, what it says about a word and about numbers. */
function said(texts: unknown): string[] {
  if (typeof texts === 'string') return [texts];
  if (typeof texts === 'function') {
    try {
      return said(texts('one', 2, 3, null));
    } catch {
      return said(texts(['one', 'two']));
    }
  }
  return typeof texts === 'object' && texts !== null ? Object.values(texts).flatMap(said) : [];
}

test('nobody on a machine reads of programs, options, folders or protocols', () => {
  const all = [athlete, athleteAims, athletePrepare, athleteResult].flatMap(said);
  expect(all.length).toBeGreaterThan(150);
  expect(all.filter((text) => /--\w|\bHTTP\b|\bthole\b|folder|Fitness Machine Service|exception|\w+Error\b/.test(text))).toEqual([]);
});

test('why a connection has ended is said in words of this page, with what to do; what the server says is for programs', () => {
  const reason = "This session's records cannot be read; tell whoever runs the server: thole-server check, then salvage.";
  expect(endedText(4506, reason)).toBe(athlete.why.unreadable);
  expect(endedText(4503, 'This program is too old for the server; install the newest one.')).toBe(athlete.why.old);
  for (const code of [1002, 1003, 1007, 1008, 1009]) expect(endedText(code, 'A WebSocket frame was broken; update this program.')).toBe(athlete.why.broken);
  // One that nobody has defined yet: the server knows more than this page.
  expect(endedText(4599, 'A new reason.')).toBe('A new reason.');
  expect(said(ui.lost).length).toBe(3);
});
