// The rows of the board: everybody against their own target, while it is rowed and when it is over.
import { board } from '#texts';
import type { AthleteResult, AthleteView, Extent, PieceView, Ranking, Target, TeamLine } from '../../protocol/decode';
import { currentPiece, type Session } from '../../session/reduce';
import { guessOf, type Guess } from '../../ui/chance';
import { missedRepeats } from '../../ui/field';
import { clockText, distanceText, targetText } from '../../ui/format';
import { marginsTold } from '../../ui/margins';
import { teamMargin, teamsOfPiece } from '../../ui/teams';
import { outcomeText } from '../../ui/words';
import { drawn, shownCall } from './call';
import { sideOf, type Moment, type Picture, type Side } from './picture';

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
  /** … and of somebody who is not heard, hatched. */
  readonly heard: boolean;
  /** Has the call that is shown. */
  readonly called: boolean;
  /** The finish is one, and no guess. */
  readonly home: boolean;
}

/** What the picture is made of now; none before there are standings. */
export function momentOf(session: Session): Moment | null {
  const { standings, speed, settings } = session;
  const piece = currentPiece(session);
  if (standings === null || piece === null) return null;
  const { phase } = piece;
  const part = phase.phase === 'rowing' ? phase.repeat : phase.phase === 'resting' ? phase.next_repeat : 0;
  const call = shownCall(session, standings.at_ms, speed);
  return {
    standings,
    ranking: settings.ranking,
    stage: `${piece.piece} ${phase.phase} ${part}`,
    call: call?.is === 'running' ? call.call.call : '',
    missed: missedRepeats(session, piece),
    speed,
  };
}

/** While it is rowed: all who are there, as the picture has them. */
export function fieldRows(session: Session, { athletes }: Picture, called: ReadonlySet<string>): readonly BoardRow[] {
  const names = new Map(session.athletes.map(({ athlete, spec: { name } }: AthleteView) => [athlete, name]));
  return athletes.map(({ line, as }) => {
    const ranked = typeof as === 'string' ? null : as;
    const { margin, projected } = line;
    return {
      key: line.athlete,
      name: names.get(line.athlete) ?? '?',
      place: ranked === null ? '' : String(ranked.place),
      side: ranked?.side ?? 'none',
      finish: projected !== null && (ranked !== null || as === 'untargeted') ? finishText(projected.finish, line.doing === 'finished') : '',
      margin: typeof as === 'string' ? board.instead[as] : as.margin,
      guess: ranked === null || margin === null || projected === null ? null : guessOf(margin, projected, session.settings.ranking),
      quiet: ranked === null || line.not_heard,
      heard: !line.not_heard,
      called: called.has(line.athlete),
      home: line.doing === 'finished',
    };
  });
}

/** When it is over: the results, places first; who has stopped stands at the end without a number. */
export function resultRows(session: Session, piece: PieceView): readonly BoardRow[] {
  const names = new Map(session.athletes.map(({ athlete, spec: { name } }: AthleteView) => [athlete, name]));
  const { spec, results } = piece;
  const byTime = spec.repeats[0]?.work.by === 'time';
  const { ranking } = session.settings;
  const told = marginsTold(results, ranking);
  const last = ({ place, outcome }: AthleteResult) => (place !== null ? place : outcome === 'finished' ? 1e6 : outcome === 'stopped' ? 3e6 : 2e6);
  return [...results]
    .filter(({ outcome }) => outcome !== 'did_not_start')
    .sort((a, b) => last(a) - last(b) || compare(names.get(a.athlete), names.get(b.athlete)))
    .map((result): BoardRow => {
      const { athlete, margin, outcome, place, shown } = result;
      const settled = outcome === 'finished' && margin !== null;
      const text = settled ? told(result) : outcome === 'finished' ? '' : outcomeText(result, piece);
      return {
        key: athlete,
        name: names.get(athlete) ?? '?',
        place: place === null ? '' : String(place),
        side: settled ? sideOf(text) : 'none',
        finish: outcome === 'stopped' ? '' : shown === null ? rowed(result, byTime) : targetText(shown),
        margin: text,
        guess: settled ? { mean: drawn(margin, ranking), sd: 0 } : null,
        quiet: outcome !== 'finished',
        heard: true,
        called: false,
        home: outcome === 'finished',
      };
    });
}

/** Teams as rows of their own. */
export function teamRows({ settings: { ranking } }: Session, { teams, athletes }: Picture): readonly BoardRow[] {
  const byTime = isByTime(athletes);
  return teams.map(({ line, as }) => teamRow(line, as === null ? '' : String(as.place), as?.margin ?? '', ranking, byTime));
}

/** Teams when it is over: in the places that count. */
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

function isByTime(athletes: Picture['athletes']): boolean {
  return athletes.some(({ line: { margin } }) => margin !== null && margin.margin_dm !== null);
}

/**
 * How far bars reach: 5 % of the target, always. So an eye learns what a length means, and one who is far out does not
 * make ticks of all the others. Where the session ranks by seconds or metres, 5 % of what most people aim at, round.
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

/** What is rowed in the stretch that is on, or comes next: `450m`; empty without a piece. */
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
