// The field as the coach's list shows it: order, places and numbers of one instant, renewed together, so that nobody
// reads a number of now beside a place of before.
import type { Doing, Line, Ranking, Standings } from '../../protocol/decode';
import { currentPhase, currentPiece, isOver, type Session } from '../../session/reduce';
import { field, hasSide, isSettling as hasRowedLittle, missedRepeats, type Row } from '../../ui/field';
import { marginsTold } from '../../ui/margins';

/** A row of the list. */
export interface ShownRow extends Row {
  /** As the numbers beside it read: who shows the same margin shares it. None while not ranked. */
  readonly place: number | null;
  /** Has rowed too little to be ranked. */
  readonly settling: boolean;
  /** Repeats of the piece were over before they came: never ranked. */
  readonly missed: boolean;
}

/** A picture stands so long; a list that moves at every stroke cannot be read. In life. */
const STANDS_MS = 3_000;
/** Half of what a bar draws, in per cent of the target. One who is far off must not flatten the bars of all others. */
const REACH_PERCENT = 5;

/** The standings that the list shows next: the newest ones when the picture has stood long enough, or somebody finished, stopped or came. */
export function renewed(before: Standings | null, session: Session): Standings | null {
  const now = session.standings;
  if (before === null || now === null || before.piece !== now.piece || isOver(currentPhase(session))) return now;
  return now.at_ms - before.at_ms >= STANDS_MS * session.speed || doings(before) !== doings(now) ? now : before;
}

function doings({ lines }: Standings): string {
  const all: readonly (readonly [string, Doing])[] = lines.map(({ athlete, doing }) => [athlete, doing]);
  return JSON.stringify([...all].sort(([one], [other]) => (one < other ? -1 : 1)));
}

/** Whether nobody's projection says anything yet. */
export function isSettling(session: Session, { lines }: Standings): boolean {
  const rows = lines.filter(({ doing }) => doing === 'rowing' || doing === 'finished' || doing === 'stopped');
  return currentPhase(session).phase === 'rowing' && rows.every(settles);
}

/** Whether somebody has rowed too little for a standing. */
function settles(line: Line): boolean {
  return line.doing === 'rowing' && !(line.not_heard && line.place === null) && hasRowedLittle(line);
}

/** The rows of a picture; who is settling has no place, no margin and no bar. */
export function rowsOf(session: Session, standings: Standings | null): readonly ShownRow[] {
  if (standings === null) return [];
  const piece = currentPiece(session);
  const who = piece === null ? new Set<string>() : missedRepeats({ standings }, piece);
  const lines = field({ ...session, standings }).map((row): ShownRow => {
    const missed = who.has(row.athlete) && row.line.doing !== 'stopped';
    const settling = !missed && settles(row.line);
    const without = { place: null, guess: null, margin: '', finish: '', line: { ...row.line, place: null, projected: null } };
    return settling || missed ? { ...row, ...without, settling, missed } : { ...row, settling, missed, guess: onItsSide(row), place: row.line.place };
  });
  // Results are placed to the tenth of a second: the list says what they say.
  if (piece !== null && isOver(piece.phase)) {
    const told = marginsTold(piece.results, session.settings.ranking);
    const margins = new Map(piece.results.map((result) => [result.athlete, told(result)]));
    return lines.map((row) => ({ ...row, margin: row.margin === '' ? '' : (margins.get(row.athlete) ?? row.margin) }));
  }
  const rows = byMargin(lines);
  const places = placesOf(rows);
  return rows.map((row) => ({ ...row, place: places.get(row.athlete) ?? null }));
}

/** Who is ranked by the margin that stands beside the name, best first, equals by their keys; the others after them, as the server lists them. */
function byMargin(rows: readonly ShownRow[]): readonly ShownRow[] {
  const figure = ({ margin, place }: ShownRow) => (margin === '' || place === null ? -Infinity : Number.parseFloat(margin.replace('−', '-')));
  const ordered = rows.toSorted((a, b) => {
    const [one, other] = [figure(a), figure(b)];
    if (one !== other) return other - one;
    return one === -Infinity ? a.order - b.order : a.athlete < b.athlete ? -1 : 1;
  });
  const orders = new Map(ordered.map(({ athlete }, order) => [athlete, order]));
  return rows.map((row) => ({ ...row, order: orders.get(row.athlete) ?? row.order }));
}

/** Places by the numbers as they read. */
function placesOf(rows: readonly ShownRow[]): ReadonlyMap<string, number> {
  const ranked = rows.filter(({ place }) => place !== null).sort((a, b) => a.order - b.order);
  const places = new Map<string, number>();
  for (const [nth, row] of ranked.entries()) {
    const above = ranked[nth - 1];
    const alike = above !== undefined && row.margin !== '' && above.margin === row.margin;
    places.set(row.athlete, alike ? (places.get(above.athlete) ?? nth + 1) : nth + 1);
  }
  return places;
}

/** A team as the list names it. */
export interface ShownTeam {
  readonly team: string;
  /** None while too few of its members are ranked. */
  readonly place: number | null;
  /** `+0.4 %`; empty without one. */
  readonly margin: string;
}

/** The teams, best mean first; places by the numbers as they read, as those of the athletes are. */
export function teamsOf({ teams }: Standings, ranking: Ranking, unit: string): readonly ShownTeam[] {
  const tenth = ranking === 'share' ? 1_000 : unit === 's' ? 100 : 1;
  const tenths = (mean: number | null) => (mean === null ? -Infinity : Math.sign(mean) * Math.round(Math.abs(mean) / tenth));
  const ordered = teams.toSorted((a, b) => tenths(b.mean_margin) - tenths(a.mean_margin));
  const ranked = ordered.filter(({ place }) => place !== null).map(({ mean_margin }) => tenths(mean_margin));
  return ordered.map(({ team, place, mean_margin }) => {
    const mean = tenths(mean_margin);
    const sign = mean === 0 ? '' : mean < 0 ? '−' : '+';
    return { team, place: place === null ? null : ranked.indexOf(mean) + 1, margin: mean_margin === null ? '' : `${sign}${(Math.abs(mean) / 10).toFixed(1)} ${unit}` };
  });
}

/** The unit in which the session ranks. */
export function unitOf(rows: readonly Row[], ranking: Ranking): string {
  if (ranking === 'share') return '%';
  return (rows.find(({ line }) => line.margin !== null)?.line.margin?.margin_dm ?? null) === null ? 's' : 'm';
}

/** A margin that reads 0.0 is drawn on the line: the bar says no more than the number. */
function onItsSide({ guess, margin }: Row): Row['guess'] {
  return guess === null || hasSide(margin) ? guess : { ...guess, mean: 0 };
}

/** Half of what the bars draw, in what the session ranks by. */
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
