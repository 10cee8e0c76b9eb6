// Against the example files of the protocol, which the server's own tests read and write as well.
import { readdirSync, readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { MESSAGES } from '../../generated/known';
import { decode, encode } from './decode';

const folder = new URL('../../../../protocol/examples/server/', import.meta.url);
const files = readdirSync(folder);

function example(file: string): string {
  return readFileSync(new URL(file, folder), 'utf8');
}

describe('what the server says', () => {
  test.each(files)('%s is understood, whole', (file) => {
    const text = example(file);
    expect(decode(text)).toEqual(JSON.parse(text));
  });

  test('every type has an example', () => {
    const seen = new Set(files.map((file) => decode(example(file))?.type));
    expect([...MESSAGES.keys()].filter((type) => ![...seen].some((one) => one === type))).toEqual([]);
    expect(files.length).toBeGreaterThan(20);
  });

  test.each(['', 'null', '7', '[]', '{}', '{"type":7}', '{"type":"sing"}', '{"type":"toString"}', '{"type":"done"}', '{"type":"events","events":7}', '{"type":"heart'])(
    '%j is not understood, and nothing breaks',
    (text) => expect(decode(text)).toBeNull(),
  );

  test('an event of a newer kind, or without its fields, is left out, and the others stay', () => {
    const closed = { event: 12, at_ms: 5, late: false, what: { kind: 'session_closed' } };
    const newer = { event: 13, at_ms: 6, late: false, what: { kind: 'sang' } };
    const broken = { event: 14, at_ms: 7, late: false, what: { kind: 'call_sent', call: 'x' } };
    expect(decode(JSON.stringify({ type: 'events', events: [newer, closed, broken, 7] }))).toEqual({
      type: 'events',
      events: [closed],
    });
  });

  test('what is said is JSON', () => expect(encode({ type: 'heartbeat' })).toBe('{"type":"heartbeat"}'));
});
