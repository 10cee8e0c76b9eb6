// The field as the coach's list shows it.
import type { Ranking } from '../../protocol/decode';
import { currentPhase, currentPiece, isOver, type Session } from '../../session/reduce';
import { field, type Row } from '../../ui/field';
import { marginText } from '../../ui/format';
import { marginsTold } from '../../ui/margins';
import { teamMargin } from '../../ui/teams';

/** Half of what a bar shows, in per cent of the target. Somebody who is far off must not flatten everybody else's bar. */
const REACH_PERCENT = 5;

/** Whether nobody's projection says anything yet. */
export function isSettling(session: Session): boolean {
  const rows = (session.standings?.lines ?? []).filter(({ doing }) => doing === 'rowing' || doing === 'finished' || doing === 'stopped');
  return currentPhase(session).phase === 'rowing' && rows.every(({ instead }) => instead === 'settling');
}

/** The rows of the list. */
export function rowsOf(session: Session): readonly Row[] {
  const piece = currentPiece(session);
  const rows = field(session);
  if (piece === null || !isOver(piece.phase)) return rows;
  // Results are placed to the tenth of a second: the list says what they say.
  const told = marginsTold(piece.results, session.settings.ranking);
  const margins = new Map(piece.results.map((result) => [result.athlete, told(result)]));
  return rows.map((row) => ({ ...row, margin: row.margin === '' ? '' : (margins.get(row.athlete) ?? row.margin) }));
}

/** A team as the list names it. */
export interface ShownTeam {
  readonly team: string;
  /** Null while too few of its members are ranked. */
  readonly place: number | null;
  /** `+0.4 %`; empty without one. */
  readonly margin: string;
}

/** The teams as the server lists them. */
export function teamsOf({ settings: { ranking }, standings }: Session, unit: string): readonly ShownTeam[] {
  return (standings?.teams ?? []).map(({ team, place, mean_margin }) => ({
    team, place, margin: mean_margin === null ? '' : marginText(teamMargin(mean_margin, ranking, unit === 'm'), ranking),
  }));
}

/** The unit in which the session ranks. */
export function unitOf(rows: readonly Row[], ranking: Ranking): string {
  if (ranking === 'share') return '%';
  return (rows.find(({ line }) => line.margin !== null)?.line.margin?.margin_dm ?? null) === null ? 's' : 'm';
}

/** Half of what the bars show, in what the session ranks by. */
export function reachOf(rows: readonly Row[], ranking: Ranking): number {
  if (ranking === 'share') return REACH_PERCENT;
  const targets = rows.flatMap(targetOf).sort((a, b) => a - b);
  const middle = targets[targets.length >> 1];
  if (middle === undefined) return REACH_PERCENT;
  const reach = (middle * REACH_PERCENT) / 100;
  return [1, 2, 3, 5, 8, 12, 20, 30, 50, 80, 120, 200, 300, 500].find((step) => step >= reach) ?? Math.ceil(reach);
}

/** In seconds or metres. */
function targetOf({ line: { projected, margin } }: Row): number[] {
  if (projected === null || margin === null) return [];
  if (projected.finish.want === 'finish' && margin.margin_ms !== null) return [(projected.finish.finish_ms + margin.margin_ms) / 1_000];
  if (projected.finish.want === 'distance' && margin.margin_dm !== null) return [(projected.finish.distance_dm - margin.margin_dm) / 10];
  return [];
}
