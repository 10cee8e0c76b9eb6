// What the teams have made of a piece. The server tells it of the current piece; of those before, the page takes it from
// their results by the same rule (`server/piece/src/standings.rs`): the mean margin of as many finishers of each team as
// count, best first.
import type { AthleteResult, Margin, PieceView, Ranking, SessionSettings, TeamLine } from '../protocol/decode';
import type { Session } from '../session/reduce';

/** One team, with its mean as a margin. */
export interface TeamResult extends TeamLine {
  readonly margin: Margin | null;
}

/** Best first; empty without teams. */
export function teamsOfPiece(session: Session, { piece, spec, results }: PieceView): readonly TeamResult[] {
  const { standings, settings, athletes } = session;
  const teams = new Map(athletes.map((view) => [view.athlete, view.spec.team]));
  const told = standings?.piece === piece && standings.teams.length > 0;
  const lines = told ? standings.teams : teamLines(results, teams, settings);
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

/** From the results alone; whose team is not known any more is in none. */
export function teamLines(
  results: readonly AthleteResult[],
  teams: ReadonlyMap<string, string | null>,
  { ranking, team_best }: Pick<SessionSettings, 'ranking' | 'team_best'>,
): readonly TeamLine[] {
  const scores = new Map<string, number[]>();
  for (const { athlete, outcome, margin } of results) {
    const team = teams.get(athlete) ?? null;
    if (team === null) continue;
    const of = scores.get(team) ?? [];
    const score = outcome === 'finished' && margin !== null ? scoreOf(margin, ranking) : null;
    scores.set(team, score === null ? of : [...of, score]);
  }
  const sizes = [...scores.values()].map(({ length }) => length).filter((size) => size > 0);
  const best = team_best > 0 ? team_best : Math.min(...sizes);
  const lines = [...scores].map(([team, all]): TeamLine => {
    const counted = all.toSorted((a, b) => b - a).slice(0, best);
    if (counted.length === 0 || counted.length < best) return { team, place: null, mean_margin: null, counted: 0 };
    return { team, place: null, mean_margin: mean(counted), counted: counted.length };
  });
  const better = ({ mean_margin: one }: TeamLine) => lines.filter(({ mean_margin }) => (mean_margin ?? -Infinity) > (one ?? -Infinity)).length;
  return lines.map((line) => (line.mean_margin === null ? line : { ...line, place: better(line) + 1 }));
}

function scoreOf({ margin_ppm, margin_ms, margin_dm }: Margin, ranking: Ranking): number | null {
  return ranking === 'share' ? margin_ppm : (margin_ms ?? margin_dm);
}

/** Rounded as the server rounds: a half goes up. */
function mean(scores: readonly number[]): number {
  const sum = scores.reduce((all, score) => all + score, 0);
  return Math.floor((sum + Math.floor(scores.length / 2)) / scores.length);
}
