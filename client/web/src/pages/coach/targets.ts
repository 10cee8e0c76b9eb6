// Targets that were set for one piece are not lost when another comes: kept by the piece they are for, and offered again.
import type { AthleteView, PieceView } from '../../protocol/decode';
import { paceText, pieceText, targetText } from '../../ui/format';
import { readPiece, readTarget } from '../../ui/parse';
import type { KeptTargets } from './shelf';
import { targetPace } from './target';

/** What is kept for a piece that has not begun; the same object when nothing is new. */
export function withTargets(kept: KeptTargets, piece: PieceView, athletes: readonly AthleteView[]): KeptTargets {
  const name = pieceText(piece.spec.repeats);
  const fresh = athletes.flatMap(({ athlete, aim }) => {
    const typed = aim.target === null ? null : targetText(aim.target);
    const { [name]: before, ...others } = kept[athlete] ?? {};
    return typed === null || typed === before ? [] : [[athlete, { ...others, [name]: typed }] as const];
  });
  return fresh.length === 0 ? kept : { ...kept, ...Object.fromEntries(fresh) };
}

/** For which piece targets were last looked at, and whose are still as they were for the one before. */
export interface Seen {
  readonly name: string;
  readonly stale: ReadonlySet<AthleteView>;
}

/** The server says that a piece has changed before it says whose target went with it: until then such a target does not belong to the new piece. */
export function seenFor(was: Seen | null, piece: PieceView, athletes: readonly AthleteView[]): Seen {
  const name = pieceText(piece.spec.repeats);
  return was?.name === name ? was : { name, stale: new Set(was === null ? [] : athletes) };
}

/** What somebody whose target is gone could aim for: the target for the same piece or, failing that, the pace of the last other one. */
export interface Offer {
  readonly typed: string;
  /** The other piece that it comes from; null when it is the same. */
  readonly from: string | null;
}

export function offered(kept: KeptTargets, athlete: string, piece: PieceView): Offer | null {
  const known = kept[athlete] ?? {};
  const same = known[pieceText(piece.spec.repeats)];
  if (same !== undefined) return { typed: same, from: null };
  for (const [from, typed] of Object.entries(known).toReversed()) {
    const [repeats, target] = [readPiece(from), readTarget(typed)];
    const pace = repeats.ok && target.ok ? targetPace(target.value, { ...piece.spec, repeats: repeats.value }) : null;
    if (pace !== null) return { typed: paceText(pace), from };
  }
  return null;
}
