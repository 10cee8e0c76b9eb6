// The focus call that the board shows: while it stands, and for a while after. What it did is not told in front of
// everybody: ten strokes of a few athletes give a false verdict two or three times an evening.
import type { Margin, Ranking, StandingCall } from '../../protocol/decode';
import { callsOfPiece, type ListedCall, type Session } from '../../session/reduce';

/** How long a call is shown after it is over, in real time. */
export const OVER_MS = 8_000;

/** How much of a call is left. */
export type Left =
  | { readonly by: 'strokes'; readonly strokes: number; readonly of: number }
  | { readonly by: 'time'; readonly ms: number }
  /** Until another comes, or for each athlete until a time of their own. */
  | { readonly by: 'open' };

export type ShownCall =
  | { readonly is: 'running'; readonly call: ListedCall; readonly left: Left }
  | { readonly is: 'over'; readonly call: ListedCall };

/** The call to show now; `speed` is how much faster than real time the session runs. */
export function shownCall(session: Session, nowMs: number, speed: number): ShownCall | null {
  const calls = callsOfPiece(session).filter(({ athletes }) => athletes.length > 0);
  for (const call of [...calls].reverse()) {
    const left = leftOf(call, session, nowMs);
    if (left !== null) return { is: 'running', call, left };
  }
  // A call of the sheet begins and ends for each athlete at a time of their own: there is no moment after it.
  const last = calls.filter(({ sheet }) => sheet === null).at(-1);
  if (last === undefined || last.over?.how !== 'ended') return null;
  return nowMs - last.over.at_ms < OVER_MS * speed ? { is: 'over', call: last } : null;
}

/** A margin in the unit that is drawn: per cent, or seconds, or metres. */
export function drawn(margin: Margin, ranking: Ranking): number {
  if (ranking === 'amount' && margin.margin_ms !== null) return margin.margin_ms / 1_000;
  if (ranking === 'amount' && margin.margin_dm !== null) return margin.margin_dm / 10;
  return margin.margin_ppm / 10_000;
}

/** Null when it no longer stands for anybody. */
function leftOf(call: ListedCall, session: Session, nowMs: number): Left | null {
  const standing = standingOf(call, session);
  if (call.over !== null || standing === null) return null;
  switch (call.span.until) {
    case 'strokes':
      return { by: 'strokes', strokes: standing.strokes_left ?? call.span.strokes, of: call.span.strokes };
    case 'time':
      if (call.sheet !== null) return { by: 'open' };
      return { by: 'time', ms: Math.max(0, call.sent_at_ms + call.span.time_ms - nowMs) };
    case 'next':
      return { by: 'open' };
    default:
      return call.span satisfies never;
  }
}

/** Whom it stands for, as last published; a call newer than the standings stands for everybody who got it. */
function standingOf(call: ListedCall, { standings }: Session): StandingCall | null {
  const known = standings?.calls.find((standing) => standing.call === call.call);
  if (known !== undefined) return known;
  if (standings === null || call.sent_at_ms < standings.at_ms) return null;
  return { call: call.call, athletes: call.athletes.length, strokes_left: null };
}
