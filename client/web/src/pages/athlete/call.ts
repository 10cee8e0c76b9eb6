// The focus call that stands for the athlete, counted in their own strokes.
import { athlete as texts } from '#texts';
import type { OwnCall } from '../../session/reduce';

/** How long a call is shown as done, in real time. */
export const DONE_SHOWN_MS = 6_000;
/** More dots than this are no quicker to read than the number. */
export const DOTS_MAX = 10;

export type Left =
  | { readonly by: 'strokes'; readonly left: number; readonly of: number }
  | { readonly by: 'time'; readonly ms: number }
  | { readonly by: 'open' };

export type ShownCall = { readonly is: 'standing'; readonly call: OwnCall; readonly left: Left } | { readonly is: 'done'; readonly call: OwnCall };

/** The athlete's own strokes since the call came. */
export interface Counted {
  readonly strokes: number;
  /** When the last stroke that it asks for was made, on the session's clock; null before. */
  readonly doneAtMs: number | null;
}

/**
 * What to show of a call; `own` is null when the machine counts no strokes. One that was taken back is no longer shown;
 * one that is done is, for a moment.
 */
export function shownCall(call: OwnCall | null, own: Counted | null, nowMs: number, speed: number): ShownCall | null {
  if (call === null || call.over?.how === 'taken_back') return null;
  if (call.over !== null) return recent(call.over.at_ms, nowMs, speed) ? { is: 'done', call } : null;
  switch (call.span.until) {
    case 'strokes': {
      const of = call.span.strokes;
      // By the athlete's own count it can be done before the server says so, or while it is away.
      if (own?.doneAtMs != null) return recent(own.doneAtMs, nowMs, speed) ? { is: 'done', call } : null;
      const left = own === null ? (call.strokes_left ?? of) : Math.max(1, of - own.strokes);
      return { is: 'standing', call, left: { by: 'strokes', left, of } };
    }
    case 'time': {
      const endsMs = call.sent_at_ms + call.span.time_ms;
      if (nowMs < endsMs) return { is: 'standing', call, left: { by: 'time', ms: endsMs - nowMs } };
      return recent(endsMs, nowMs, speed) ? { is: 'done', call } : null;
    }
    case 'next':
      return { is: 'standing', call, left: { by: 'open' } };
    default:
      return call.span satisfies never;
  }
}

/** What is said aloud. */
export function spokenText({ text }: OwnCall): string {
  return text.spoken === '' ? text.shown : text.spoken;
}

/** For a screen reader, as the call comes. */
export function callSays(call: OwnCall): string {
  const { span } = call;
  const words = spokenText(call);
  const ends = /[.!?]$/.test(words) ? words : `${words}.`;
  return span.until === 'strokes' ? texts.forStrokes(ends, span.strokes) : ends;
}

function recent(overMs: number, nowMs: number, speed: number): boolean {
  return nowMs - overMs < DONE_SHOWN_MS * speed;
}
