// What the teams have made of a piece: from the standings while it is rowed, then as it is told with the results.
import type { Margin, PieceView, Ranking, TeamLine } from '../protocol/decode';
import type { Session } from '../session/reduce';

/** One team, with its mean as a margin. */
export interface TeamResult extends TeamLine {
  readonly margin: Margin | null;
}

/** Best first; empty without teams. */
export function teamsOfPiece({ standings, settings }: Session, { piece, spec, teams = [] }: PieceView): readonly TeamResult[] {
  const lines = teams.length === 0 && standings?.piece === piece ? standings.teams : teams;
  const byTime = spec.repeats[0]?.work.by === 'time';
  return lines
    .map((line) => ({ ...line, margin: line.mean_margin === null ? null : teamMargin(line.mean_margin, settings.ranking, byTime) }))
    .sort((a, b) => (a.place ?? Infinity) - (b.place ?? Infinity) || (a.team < b.team ? -1 : 1));
}

/** A team's mean comes in the unit that the session ranks by. */
export function teamMargin(mean: number, ranking: Ranking, byTime: boolean): Margin {
  if (ranking === 'share') return { margin_ppm: mean, margin_ms: null, margin_dm: null };
  return { margin_ppm: 0, margin_ms: byTime ? null : mean, margin_dm: byTime ? mean : null };
}
