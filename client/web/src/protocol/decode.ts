// The one place where text becomes a typed message: nothing after it has to doubt what it is given.
import { KINDS, MESSAGES } from '../../generated/known';
import type { ClientMsg, Event, Sample, ServerMsg } from '../../generated/protocol';

export type * from '../../generated/protocol';

type Fields = Record<string, unknown>;

/**
 * What the server said; null for what this page does not understand: not JSON, a type that a newer server may have, a
 * message without its fields. Events of an unknown kind are left out.
 */
export function decode(text: string): ServerMsg | null {
  const said = parsed(text);
  if (!isFields(said) || !has(said, 'type', MESSAGES)) return null;
  if ('events' in said) {
    if (!Array.isArray(said['events'])) return null;
    return { ...said, events: said['events'].filter(isEvent) } as unknown as ServerMsg;
  }
  return said as unknown as ServerMsg;
}

/** What is said, as it crosses the socket. */
export function encode(msg: ClientMsg): string {
  return JSON.stringify(msg);
}

/** What this browser has kept, as it was written; null when it is nothing of the sort. */
export function restored<Kept>(text: string | null, holds: (fields: Fields) => boolean): Kept | null {
  const kept = text === null ? null : parsed(text);
  return isFields(kept) && holds(kept) ? (kept as Kept) : null;
}

/** Whether this is a sample, as this browser may have kept it. */
export function isSample(value: unknown): value is Sample {
  return isFields(value) && ['seq', 'heard_ms', 'distance_dm'].every((field) => typeof value[field] === 'number');
}

/** Whether this is an object with fields, such as a message. */
export function isFields(value: unknown): value is Fields {
  return typeof value === 'object' && value !== null && !Array.isArray(value);
}

function parsed(text: string): unknown {
  try {
    return JSON.parse(text);
  } catch {
    // Text that is not JSON is a message that is not understood, no more and no less.
    return null;
  }
}

/** Whether the tag is a known one, and every field is there that always comes with it. */
function has(fields: Fields, tag: string, known: ReadonlyMap<string, readonly string[]>): boolean {
  const name = fields[tag];
  const needs = typeof name === 'string' ? known.get(name) : undefined;
  return needs !== undefined && needs.every((field) => field in fields);
}

function isEvent(value: unknown): value is Event {
  return (
    isFields(value) && typeof value['event'] === 'number' && isFields(value['what']) && has(value['what'], 'kind', KINDS)
  );
}
