// The rows of the board: everybody against their own target, while it is rowed and when it is over.
import { board } from '#texts';
import type { AthleteResult, AthleteView, Extent, PieceView, Ranking, Target, TeamLine } from '../../protocol/decode';
import type { Session } from '../../session/reduce';
import type { Guess } from '../../ui/chance';
import { field, sideOf, type Row, type Side } from '../../ui/field';
import { clockText, distanceText, marginText, targetText } from '../../ui/format';
import { marginsTold } from '../../ui/margins';
import { teamMargin, teamsOfPiece } from '../../ui/teams';
import { outcomeText } from '../../ui/words';
import { drawn } from './call';

const REACH_PERCENT = 5;

/** One row. */
export interface BoardRow {
  readonly key: string;
  readonly name: string;
  /** Empty when not ranked. */
  readonly place: string;
  readonly side: Side;
  /** Where the finish is heading, in whole seconds or metres; the result to a tenth. Empty when not known. */
  readonly finish: string;
  /** `+1.2 %`, or in words why there is none. */
  readonly margin: string;
  readonly guess: Guess | null;
  /** Old numbers, or out of the ranking: drawn in muted ink … */
  readonly quiet: boolean;
  /** … and hatched for somebody who is not heard. */
  readonly heard: boolean;
  /** Has the call that is shown. */
  readonly called: boolean;
  /** The finish is a real one, not a guess. */
  readonly home: boolean;
}

/** While it is rowed: everybody who is there, as the server has listed them. */
export function fieldRows(session: Session, called: ReadonlySet<string>): readonly BoardRow[] {
  return ordered(session)
    .filter(({ line }) => line.doing !== 'away')
    .map(({ athlete, name, line, margin, guess }) => ({
      key: athlete,
      name,
      place: line.place === null ? '' : String(line.place),
      side: sideOf(margin),
      finish: line.projected !== null && line.instead !== 'unheard' ? finishText(line.projected.finish, line.doing === 'finished') : '',
      margin: line.instead === null ? margin : board.instead[line.instead],
      guess,
      quiet: line.place === null || line.not_heard,
      heard: !line.not_heard,
      called: called.has(athlete),
      home: line.doing === 'finished',
    }));
}

function ordered(session: Session): readonly Row[] {
  return field(session).sort((a, b) => a.order - b.order);
}

/** When it is over: the results, places first; those who have stopped are at the end without a number. */
export function resultRows(session: Session, piece: PieceView): readonly BoardRow[] {
  const names = new Map(session.athletes.map(({ athlete, spec: { name } }: AthleteView) => [athlete, name]));
  const { spec, results } = piece;
  const byTime = spec.repeats[0]?.work.by === 'time';
  const { ranking } = session.settings;
  const told = marginsTold(results, ranking);
  const isExcluded = ({ ruling }: AthleteResult) => ruling?.unplaced === 'excluded';
  const last = (of: AthleteResult) => (of.place !== null ? of.place : isExcluded(of) ? 4e6 : of.outcome === 'finished' ? 1e6 : of.outcome === 'stopped' ? 3e6 : 2e6);
  return [...results]
    .filter(({ outcome }) => outcome !== 'did_not_start')
    .sort((a, b) => last(a) - last(b) || compare(names.get(a.athlete), names.get(b.athlete)))
    .map((result): BoardRow => {
      const { athlete, margin, outcome, place, shown } = result;
      // What does not count is not held up to everybody: name and word, and no number.
      const excluded = isExcluded(result);
      const settled = outcome === 'finished' && margin !== null && !excluded;
      const text = excluded ? board.instead.excluded : settled ? told(result) : outcome === 'finished' ? '' : outcomeText(result, piece);
      return {
        key: athlete,
        name: names.get(athlete) ?? '?',
        place: place === null ? '' : String(place),
        side: settled ? sideOf(text) : 'none',
        finish: excluded || outcome === 'stopped' ? '' : shown === null ? rowed(result, byTime) : targetText(shown),
        margin: text,
        guess: settled ? { mean: drawn(margin, ranking), sd: 0 } : null,
        quiet: excluded || outcome !== 'finished',
        heard: true,
        called: false,
        home: outcome === 'finished',
      };
    });
}

/** Teams as rows of their own. */
export function teamRows({ settings: { ranking }, standings }: Session): readonly BoardRow[] {
  const byTime = standings?.lines.some(({ margin }) => margin !== null && margin.margin_dm !== null) ?? false;
  return (standings?.teams ?? []).map((line) => {
    const { place, mean_margin } = line;
    return teamRow(line, place === null ? '' : String(place), mean_margin === null ? '' : marginText(teamMargin(mean_margin, ranking, byTime), ranking), ranking, byTime);
  });
}

/** Teams when it is over: by the places that count. */
export function teamResults(session: Session, piece: PieceView): readonly BoardRow[] {
  const { ranking } = session.settings;
  const teams = teamsOfPiece(session, piece);
  const told = marginsTold(teams, ranking);
  return teams.map((team) => teamRow(team, team.place === null ? '' : String(team.place), told(team), ranking, piece.spec.repeats[0]?.work.by === 'time'));
}

function teamRow({ team, mean_margin, counted }: TeamLine, place: string, margin: string, ranking: Ranking, byTime: boolean): BoardRow {
  return {
    key: team,
    name: team,
    place,
    side: margin === '' ? 'none' : sideOf(margin),
    finish: margin === '' ? '' : board.best(counted),
    margin,
    guess: margin === '' || mean_margin === null ? null : { mean: drawn(teamMargin(mean_margin, ranking, byTime), ranking), sd: 0 },
    quiet: margin === '',
    heard: true,
    called: false,
    home: false,
  };
}

/**
 * How far bars reach: always 5 % of the target. So the eye learns what a length means, and somebody who is far out does
 * not shrink all the others to ticks. Where the session ranks by seconds or metres, 5 % of what most people aim at,
 * rounded.
 */
export function reachOf({ settings, standings }: Session): number {
  if (settings.ranking === 'share') return REACH_PERCENT;
  const aims = (standings?.lines ?? []).flatMap(({ margin, projected }) => {
    if (margin === null || projected === null) return [];
    const { finish } = projected;
    if (finish.want === 'finish' && margin.margin_ms !== null) return [(finish.finish_ms + margin.margin_ms) / 1_000];
    return finish.want === 'distance' && margin.margin_dm !== null ? [(finish.distance_dm - margin.margin_dm) / 10] : [];
  });
  const usual = aims.sort((a, b) => a - b)[Math.floor(aims.length / 2)] ?? 0;
  return [1, 2, 3, 5, 8, 12, 20, 30, 50, 80, 120, 200].find((step) => step >= (usual * REACH_PERCENT) / 100) ?? 300;
}

/** What is rowed in the current stretch, or comes next: `450m`; empty without a piece. */
export function stretchOf({ spec, phase }: PieceView): Extent | null {
  const at = phase.phase === 'rowing' ? phase.repeat : phase.phase === 'resting' ? phase.next_repeat : 0;
  return spec.repeats[at]?.work ?? null;
}

/** No more digits than are known. */
function finishText(finish: Target, settled: boolean): string {
  if (settled) return targetText(finish);
  switch (finish.want) {
    case 'finish':
      return clockText(Math.round(finish.finish_ms / 1_000));
    case 'distance':
      return distanceText(Math.round(finish.distance_dm / 10) * 10);
    case 'pace':
      return targetText(finish);
    default:
      return finish satisfies never;
  }
}

function rowed({ time_ms, distance_dm }: AthleteResult, byTime: boolean): string {
  return byTime ? clockText(Math.round(time_ms / 1_000)) : distanceText(Math.floor(distance_dm / 10) * 10);
}

function compare(a = '', b = ''): number {
  return a < b ? -1 : a > b ? 1 : 0;
}
