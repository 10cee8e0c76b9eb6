// The rows of the board: everybody against their own target, while it is rowed and when it is over.
import { board } from '#texts';
import type { AthleteResult, AthleteView, Extent, Line, PieceView, Target } from '../../protocol/decode';
import type { Session } from '../../session/reduce';
import type { Guess } from '../../ui/chance';
import { field } from '../../ui/field';
import { clockText, distanceText, marginText, targetText } from '../../ui/format';
import { doingText, outcomeText } from '../../ui/words';
import { drawn } from './call';

/** On which side of the line a bar is drawn; none without a margin. */
export type Side = 'ahead' | 'behind' | 'none';

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
}

/** The side as it is drawn, and since when the margin has been on the other one. */
export interface Drawn {
  readonly side: Side;
  readonly otherSinceMs: number | null;
}

export type Sides = ReadonlyMap<string, Drawn>;

/** A margin smaller than this changes the side only when it has lasted. */
const SIDE_PPM = 1_000;
const SIDE_LASTS_MS = 5_000;

/** The sides when new standings have come: nobody goes to and fro across the line. */
export function sidesOf(known: Sides, lines: readonly Line[], atMs: number): Sides {
  return new Map(lines.map((line) => [line.athlete, sideDrawn(known.get(line.athlete), line, atMs)]));
}

function sideDrawn(was: Drawn | undefined, { margin }: Line, atMs: number): Drawn {
  if (margin === null) return { side: 'none', otherSinceMs: null };
  const now: Side = margin.margin_ppm >= 0 ? 'ahead' : 'behind';
  const wavers = was !== undefined && was.side !== 'none' && was.side !== now && Math.abs(margin.margin_ppm) <= SIDE_PPM;
  const sinceMs = was?.otherSinceMs ?? atMs;
  return wavers && atMs - sinceMs < SIDE_LASTS_MS ? { side: was.side, otherSinceMs: sinceMs } : { side: now, otherSinceMs: null };
}

/** While it is rowed: all who are there, as the server orders them. */
export function fieldRows(session: Session, sides: Sides, called: ReadonlySet<string>): readonly BoardRow[] {
  const rows = field(session).filter(({ line }) => line.doing !== 'away');
  return rows
    .sort((a, b) => a.order - b.order)
    .map(({ athlete, name, line, ...row }) => {
      // Before the first stroke the plan is all that is known; that is no standing. Who has stopped has none either.
      const stands = line.done_dm > 0 && line.doing !== 'stopped';
      const { guess, margin } = stands ? row : { guess: null, margin: '' };
      const side = guess === null ? 'none' : (sides.get(athlete)?.side ?? sideOf(guess));
      return {
        key: athlete,
        name,
        place: line.place === null ? '' : String(line.place),
        side,
        finish: line.projected === null || !stands ? '' : finishText(line.projected.finish, line.doing === 'finished'),
        margin: margin === '' ? withoutMargin(line) : margin,
        guess,
        quiet: line.place === null || line.not_heard,
        heard: !line.not_heard,
        called: called.has(athlete),
      };
    });
}

/** When it is over: the results, places first. */
export function resultRows(session: Session, { spec, results }: PieceView): readonly BoardRow[] {
  const names = new Map(session.athletes.map(({ athlete, spec: { name } }: AthleteView) => [athlete, name]));
  const byTime = spec.repeats[0]?.work.by === 'time';
  return [...results]
    .filter(({ outcome }) => outcome !== 'did_not_start')
    .sort((a, b) => (a.place ?? Infinity) - (b.place ?? Infinity) || compare(names.get(a.athlete), names.get(b.athlete)))
    .map((result): BoardRow => {
      const { athlete, margin, outcome, place, shown } = result;
      const settled = outcome === 'finished' && margin !== null;
      const guess = settled ? { mean: drawn(margin, session.settings.ranking), sd: 0 } : null;
      return {
        key: athlete,
        name: names.get(athlete) ?? '?',
        place: place === null ? '' : String(place),
        side: guess === null ? 'none' : sideOf(guess),
        finish: shown === null ? rowed(result, byTime) : targetText(shown),
        margin: settled ? marginText(margin, session.settings.ranking) : outcome === 'finished' ? '' : outcomeText(outcome),
        guess,
        quiet: outcome !== 'finished',
        heard: true,
        called: false,
      };
    });
}

/** Teams as rows of their own. */
export function teamRows(session: Session): readonly BoardRow[] {
  const { ranking } = session.settings;
  const byTime = session.pieces.find(({ piece }) => piece === session.current)?.spec.repeats[0]?.work.by === 'time';
  return (session.standings?.teams ?? []).map(({ team, place, mean_margin, counted }): BoardRow => {
    const margin = mean_margin === null ? null : teamMargin(mean_margin, ranking, byTime);
    const guess = margin === null ? null : { mean: drawn(margin, ranking), sd: 0 };
    return {
      key: team,
      name: team,
      place: place === null ? '' : String(place),
      side: guess === null ? 'none' : sideOf(guess),
      finish: board.best(counted),
      margin: margin === null ? '' : marginText(margin, ranking),
      guess,
      quiet: place === null,
      heard: true,
      called: false,
    };
  });
}

/** What is rowed in the stretch that is on, or comes next: `450m`; empty without a piece. */
export function stretchOf({ spec, phase }: PieceView): Extent | null {
  const at = phase.phase === 'rowing' ? phase.repeat : phase.phase === 'resting' ? phase.next_repeat : 0;
  return spec.repeats[at]?.work ?? null;
}

function sideOf({ mean }: Guess): Side {
  return mean >= 0 ? 'ahead' : 'behind';
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

/** Why there is no margin, in a word. */
function withoutMargin(line: Line): string {
  if (line.doing === 'rowing') return line.not_heard ? board.notHeard : '';
  return line.doing === 'away' ? '' : doingText(line.doing);
}

function rowed({ time_ms, distance_dm }: AthleteResult, byTime: boolean): string {
  return byTime ? clockText(Math.round(time_ms / 1_000)) : distanceText(Math.floor(distance_dm / 10) * 10);
}

/** A team's mean comes in the unit that the session ranks by. */
function teamMargin(mean: number, ranking: Session['settings']['ranking'], byTime: boolean) {
  if (ranking === 'share') return { margin_ppm: mean, margin_ms: null, margin_dm: null };
  return { margin_ppm: 0, margin_ms: byTime ? null : mean, margin_dm: byTime ? mean : null };
}

function compare(a = '', b = ''): number {
  return a < b ? -1 : a > b ? 1 : 0;
}
