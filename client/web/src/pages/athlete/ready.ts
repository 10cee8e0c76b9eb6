// What an athlete still has to do before rowing, and whether the coach sees them as ready.
import { athlete as texts } from '#texts';
import type { Today } from '../../protocol/decode';
import { athlete, currentPiece, isOver, isUnderWay, type Session } from '../../session/reduce';

export type ToDo = 'cautions' | 'target' | 'machine';

/** What is done as far as this page knows: the server may hear of it a moment later. */
export interface Done {
  readonly cautions: boolean;
  readonly machine: boolean;
  /** Has rowed in this piece: from then on its target stays. */
  readonly rowed: boolean;
  /** How they row today, as it was chosen here. */
  readonly today: Today;
}

/** In the order of the page; all of it can be done before the piece and while it is rowed. */
export function toDo(session: Session, { cautions, machine, rowed, today }: Done): readonly ToDo[] {
  const piece = currentPiece(session);
  if ((piece !== null && isOver(piece.phase)) || today === 'not_today') return [];
  const target = session.you === null ? null : (athlete(session, session.you)?.aim.target ?? null);
  const isOpen = piece !== null && !(rowed && isUnderWay(piece.phase));
  return [
    ...(cautions ? [] : (['cautions'] as const)),
    ...(target !== null || !isOpen || today === 'easy' ? [] : (['target'] as const)),
    ...(machine ? [] : (['machine'] as const)),
  ];
}

/** As it appears in a list of what is still to be done. */
export function toDoText(what: readonly ToDo[]): string {
  return texts.toDo(what.map((one) => texts.missing[one]));
}

/** Ready means that the coach sees them as ready (`pages/coach/needs.ts`); otherwise what is missing, the first thing. */
export type Readiness =
  /** Nothing is rowed any more, whatever is done. */
  | { readonly is: 'closed' }
  | { readonly is: 'to_do'; readonly what: readonly ToDo[] }
  /** Done here, and the server has not confirmed it yet. */
  | { readonly is: 'telling' }
  /** The countdown would still be off by too much. */
  | { readonly is: 'clock' }
  | { readonly is: 'no_piece' }
  /** The coach watches over a heart rate that is not passed on. */
  | { readonly is: 'heart'; readonly bpm: number }
  | { readonly is: 'ready' }
  /** The coach knows that they do not row today. */
  | { readonly is: 'not_today' };

/** A countdown that may be off by more than this is worth mentioning, also to the coach. */
const CLOCK_BOUND_MS = 100;

/** A clock that was known too badly when the coach was told, because of a busy device or network, may be known well enough by now. */
export function fitsByNow(toldMs: number | null, nowMs: number | null): boolean {
  return toldMs !== null && toldMs > CLOCK_BOUND_MS && nowMs !== null && nowMs <= CLOCK_BOUND_MS;
}

export function readiness(session: Session, done: Done): Readiness {
  if (session.closed) return { is: 'closed' };
  const what = toDo(session, done);
  if (what.length > 0) return { is: 'to_do', what };
  const you = session.you === null ? null : athlete(session, session.you);
  if (you === null || (you.today ?? 'as_usual') !== done.today) return { is: 'telling' };
  if (done.today === 'not_today') return { is: 'not_today' };
  if (!you.cautions_read || you.machine === null) return { is: 'telling' };
  if (you.clock_bound_ms === null || you.clock_bound_ms > CLOCK_BOUND_MS) return { is: 'clock' };
  if (you.aim.target === null && done.today === 'as_usual') return { is: 'no_piece' };
  const bpm = you.spec.heart_limit_bpm;
  return bpm === null || you.heart_rate ? { is: 'ready' } : { is: 'heart', bpm };
}
