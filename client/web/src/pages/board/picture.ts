// What stands on the board at one moment: order, places, numbers and counts of one instant, renewed together. Standings
// come several times a second and waver by tenths; a board that took each of them as it came would show an order of one
// instant beside the numbers of another, and nobody could read it.
import type { Line, Ranking, Standings, TeamLine } from '../../protocol/decode';
import { SETTLING_MS, isSettling } from '../../ui/field';
import { marginText } from '../../ui/format';
import { teamMargin } from '../../ui/teams';

/** A picture stands so long, in life, unless something happens that people look up for. */
export const PICTURE_MS = 5_000;

/** On which side of the line somebody stands, by the sign of the margin as it is shown; `0.0 %` is on neither. */
export type Side = 'ahead' | 'behind' | 'none';

/** Why somebody has no number. */
export type Instead = 'settling' | 'missed' | 'untargeted' | 'unheard' | 'here' | 'stopped';

/** Somebody, or a team, with a number: equal as shown is equal in place. */
export interface Ranked {
  readonly place: number;
  /** `+1.2 %` */
  readonly margin: string;
  readonly side: Side;
}

/** One athlete. */
export interface Standing {
  readonly line: Line;
  /** Or why there is none. */
  readonly as: Ranked | Instead;
}

/** One team. */
export interface TeamStanding {
  readonly line: TeamLine;
  /** Null while too few of its members are ranked. */
  readonly as: Ranked | null;
}

export interface Picture {
  readonly atMs: number;
  /** What it was drawn for; see `Moment`. */
  readonly stage: string;
  readonly call: string;
  /** From the top: who is ranked, then who has no number; who has stopped stands at the end. */
  readonly athletes: readonly Standing[];
  readonly teams: readonly TeamStanding[];
  readonly ahead: number;
  readonly behind: number;
}

/** What a picture is made of. */
export interface Moment {
  readonly standings: Standings;
  readonly ranking: Ranking;
  /** Which piece and which part of it: another one is another picture. */
  readonly stage: string;
  /** The call that is shown; empty without. */
  readonly call: string;
  /** Who has missed repeats. */
  readonly missed: ReadonlySet<string>;
  /** How much faster than life the session runs. */
  readonly speed: number;
}

/** The picture that stands when these standings are known: the one before, or a new one. */
export function picture(was: Picture | null, moment: Moment): Picture {
  return was !== null && stands(was, moment) ? was : drawn(moment);
}

function stands(was: Picture, { standings, stage, call, missed, speed }: Moment): boolean {
  const age = standings.at_ms - was.atMs;
  if (age < 0 || age >= PICTURE_MS * speed || stage !== was.stage || call !== was.call) return false;
  const before = new Map(was.athletes.map((standing) => [standing.line.athlete, standing]));
  return !standings.lines.some((line) => {
    const then = before.get(line.athlete);
    return hasJust(then?.line, line) || (speed > 1 && then?.as === 'settling' && hasLongSettled(line, missed));
  });
}

/** Of a rehearsal alone: in life a picture that still says so is renewed before. */
function hasLongSettled(now: Line, missed: Moment['missed']): boolean {
  return now.elapsed_ms >= SETTLING_MS + PICTURE_MS && insteadOf(now, missed) !== 'settling';
}

/** Somebody is in, has stopped, or is lost: what people look up for. */
function hasJust(was: Line | undefined, now: Line): boolean {
  const ended = now.doing === 'finished' || now.doing === 'stopped';
  if (ended && was?.doing !== now.doing) return true;
  if (ended || was === undefined || !now.not_heard) return false;
  return !was.not_heard || (was.place !== null && now.place === null);
}

function drawn({ standings, ranking, stage, call, missed }: Moment): Picture {
  const lines = standings.lines.filter(({ doing }) => doing !== 'away');
  const standing = lines.map((line) => ({ line, instead: insteadOf(line, missed) }));
  const placed = ranked(
    standing.flatMap(({ line, instead }) => (instead === null && line.margin !== null ? [{ line, margin: marginText(line.margin, ranking) }] : [])),
    ({ line }) => line.athlete,
  );
  const others = (['untargeted', 'missed', 'settling', 'unheard', 'here', 'stopped'] as const).flatMap((as) =>
    standing.flatMap(({ line, instead }) => (instead === as ? [{ line, as }] : [])),
  );
  const byTime = lines.some(({ margin }) => margin !== null && margin.margin_dm !== null);
  return {
    atMs: standings.at_ms,
    stage,
    call,
    athletes: [...placed.map(({ one: { line }, as }) => ({ line, as })), ...others],
    teams: teamsDrawn(standings.teams, ranking, byTime),
    ahead: placed.filter(({ as }) => as.side === 'ahead').length,
    behind: placed.filter(({ as }) => as.side === 'behind').length,
  };
}

function insteadOf(line: Line, missed: Moment['missed']): Instead | null {
  const { athlete, doing, not_heard, place, margin } = line;
  switch (doing) {
    case 'finished':
      if (missed.has(athlete)) return 'missed';
      return margin === null || place === null ? 'untargeted' : null;
    case 'stopped':
      return 'stopped';
    case 'here':
    case 'away':
      return 'here';
    case 'rowing':
      // Nobody is lost in a moment of silence: the number stays, in muted ink, until the server takes them out.
      if (not_heard && place === null) return 'unheard';
      if (missed.has(athlete)) return 'missed';
      if (isSettling(line)) return 'settling';
      return margin === null || place === null ? 'untargeted' : null;
    default:
      return doing satisfies never;
  }
}

function teamsDrawn(lines: readonly TeamLine[], ranking: Ranking, byTime: boolean): TeamStanding[] {
  const placed = ranked(
    lines.flatMap((line) => (line.mean_margin === null || line.place === null ? [] : [{ line, margin: marginText(teamMargin(line.mean_margin, ranking, byTime), ranking) }])),
    ({ line }) => line.team,
  );
  const known = new Set(placed.map(({ one }) => one.line.team));
  return [...placed.map(({ one: { line }, as }) => ({ line, as })), ...lines.filter(({ team }) => !known.has(team)).map((line) => ({ line, as: null }))];
}

/** Best first as it is shown; equals share a place (1, 2, 2, 4) and stand by their keys, so that they do not change about. */
function ranked<One extends { readonly margin: string }>(all: readonly One[], key: (one: One) => string): { one: One; as: Ranked }[] {
  const sorted = all.map((one) => ({ one, shown: shownAs(one.margin) })).sort((a, b) => b.shown - a.shown || (key(a.one) < key(b.one) ? -1 : 1));
  let [place, last] = [0, Number.NaN];
  return sorted.map(({ one, shown }, nth) => {
    if (shown !== last) [place, last] = [nth + 1, shown];
    return { one, as: { place, margin: one.margin, side: sideOf(one.margin) } };
  });
}

/** The side that a margin tells, as it is written. */
export function sideOf(margin: string): Side {
  const shown = shownAs(margin);
  return shown > 0 ? 'ahead' : shown < 0 ? 'behind' : 'none';
}

/** The figure that people read: what is ordered by anything else would stand in another order than it says. */
function shownAs(margin: string): number {
  return Number.parseFloat(margin.replace('−', '-'));
}
