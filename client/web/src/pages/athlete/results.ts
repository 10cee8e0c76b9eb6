// The athlete's own results.
import type { AthleteResult, PieceView } from '../../protocol/decode';
import type { Session } from '../../session/reduce';

export function resultOf({ you }: Pick<Session, 'you'>, { results }: PieceView): AthleteResult | null {
  return results.find((result) => result.athlete === you) ?? null;
}

/** The newest piece before the current one that the athlete has rowed in, with what became of it. */
export function lastRowed(session: Session): { readonly piece: PieceView; readonly result: AthleteResult } | null {
  const rowed = session.pieces.flatMap((piece) => {
    const result = piece.piece < session.current ? resultOf(session, piece) : null;
    return result === null || result.outcome === 'did_not_start' ? [] : [{ piece, result }];
  });
  return rowed.at(-1) ?? null;
}
