// Which heart rate goes to the coach when a strap and the machine both report one. Asked only with consent.

import type { Kind } from './link';
import type { HeardBeat } from './radio';

/** What has been passed on so far. */
export interface Passed {
  readonly passed_ms: number | null;
  readonly strap_ms: number | null;
}

/** Nothing has been passed on yet. */
export const NONE_PASSED: Passed = { passed_ms: null, strap_ms: null };

/** A heart needs seconds to change; more often would only fill the journal. */
const EVERY_MS = 3_000;
/** A strap that has said nothing for this long has come off. */
const STRAP_SPEAKS_MS = 10_000;

/** Takes in one beat: says whether it is passed on. A strap takes precedence over the machine, whose sensor is anybody's guess. */
export function passedOn(before: Passed, { heard_ms }: HeardBeat, from: Kind): { readonly passed: Passed; readonly goes: boolean } {
  const strap_ms = from === 'strap' ? heard_ms : before.strap_ms;
  const outranked = from === 'rower' && strap_ms !== null && heard_ms - strap_ms < STRAP_SPEAKS_MS;
  const soon = before.passed_ms !== null && heard_ms - before.passed_ms < EVERY_MS;
  const goes = !outranked && !soon;
  return { passed: { passed_ms: goes ? heard_ms : before.passed_ms, strap_ms }, goes };
}
