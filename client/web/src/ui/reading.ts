// What the clock of a piece shows, from its phase and the session's time.
import type { Phase } from '../protocol/decode';
import { clockText } from './format';

export type Reading =
  /** Nothing to count yet. */
  | { readonly shows: 'nothing' }
  /** To the go, or to the next repeat. */
  | { readonly shows: 'to_go'; readonly until: 'go' | 'repeat'; readonly ms: number }
  /** Since the go; for a repeat on a common signal, since its signal. */
  | { readonly shows: 'gone'; readonly ms: number }
  | { readonly shows: 'over' };

export function reading(phase: Phase, nowMs: number | null): Reading {
  switch (phase.phase) {
    case 'gathering':
    case 'armed':
      return { shows: 'nothing' };
    case 'counting':
      return left(phase.go_at_ms, 'go', nowMs);
    case 'rowing':
      return gone(phase.repeat_at_ms, nowMs);
    case 'resting':
      return left(phase.next_at_ms, 'repeat', nowMs);
    case 'closing':
      return gone(phase.go_at_ms, nowMs);
    case 'finished':
    case 'stopped':
      return { shows: 'over' };
    default:
      return phase satisfies never;
  }
}

/** `0:07` to the go, `3:12` since it; empty when there is nothing to show. */
export function readingText(shown: Reading): string {
  switch (shown.shows) {
    case 'nothing':
    case 'over':
      return '';
    case 'to_go':
      // Zero is the go itself: the last second is shown as 1.
      return clockText(Math.ceil(shown.ms / 1_000));
    case 'gone':
      return clockText(Math.floor(shown.ms / 1_000));
    default:
      return shown satisfies never;
  }
}

function left(atMs: number, until: 'go' | 'repeat', nowMs: number | null): Reading {
  return nowMs === null ? { shows: 'nothing' } : { shows: 'to_go', until, ms: Math.max(0, atMs - nowMs) };
}

function gone(sinceMs: number, nowMs: number | null): Reading {
  return nowMs === null ? { shows: 'nothing' } : { shows: 'gone', ms: Math.max(0, nowMs - sinceMs) };
}
