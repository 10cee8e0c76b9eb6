// The field as board and coach draw it: who stands where, in lines that keep their place in the document.
import type { AthleteView, Line, PieceView } from '../protocol/decode';
import type { Session } from '../session/reduce';
import { guessOf, type Guess } from './chance';
import { marginText, targetText } from './format';

/** In the first strokes the plan says more than the strokes do: so long after their own start nobody has a standing. */
export const SETTLING_MS = 20_000;
/** Up to this share of the piece, in thousandths, a margin of exactly nothing is the plan and no projection. */
const PLAN_UNTIL_PERMILLE = 50;

/** Whether somebody who rows has rowed too little for a standing. */
export function isSettling({ projected, margin, elapsed_ms, share_permille }: Line): boolean {
  return projected === null || elapsed_ms < SETTLING_MS || (margin?.margin_ppm === 0 && share_permille < PLAN_UNTIL_PERMILLE);
}

/**
 * Who has missed repeats of this piece: the whole of it cannot be made any more, and nothing is projected. The server
 * marks it in the result; before there is one it is seen by that, when enough is rowed to project and no repeat is owed.
 */
export function missedRepeats({ standings }: Pick<Session, 'standings'>, { piece, spec, phase, results }: PieceView): ReadonlySet<string> {
  const marked = results.filter(({ marks }) => marks.includes('repeats_missed')).map(({ athlete }) => athlete);
  const first = spec.repeats.length < 2 || (phase.phase === 'rowing' && phase.repeat === 0);
  if (standings?.piece !== piece || spec.repeat_start !== 'common_signal' || first) return new Set(marked);
  const seen = standings.lines.filter(({ doing, projected, elapsed_ms }) => {
    return projected === null && (doing === 'finished' || (doing === 'rowing' && elapsed_ms >= SETTLING_MS));
  });
  return new Set([...marked, ...seen.map(({ athlete }) => athlete)]);
}

/** One athlete of the field. */
export interface Row {
  readonly athlete: string;
  readonly name: string;
  /** From the top, 0 first. */
  readonly order: number;
  readonly line: Line;
  /** None without a target or a projection. */
  readonly guess: Guess | null;
  /** `+1.2 %`; empty without a margin. */
  readonly margin: string;
  /** `9:06.1`; empty without a projection. */
  readonly finish: string;
}

/** Everybody in the standings, in an order of the document that never changes; `order` says where they stand. */
export function field(session: Session): Row[] {
  const names = new Map(session.athletes.map((view: AthleteView) => [view.athlete, view.spec.name]));
  const rows = (session.standings?.lines ?? []).map((line, order): Row => {
    // Who is not rowing has no way yet: what is expected of them would be drawn as if they were on target.
    const waits = line.doing === 'away' || line.doing === 'here';
    const [margin, projected] = waits ? [null, null] : [line.margin, line.projected];
    return {
      athlete: line.athlete,
      name: names.get(line.athlete) ?? '?',
      order,
      line,
      guess: margin === null || projected === null ? null : guessOf(margin, projected, session.settings.ranking),
      margin: margin === null ? '' : marginText(margin, session.settings.ranking),
      finish: projected === null ? '' : targetText(projected.finish),
    };
  });
  return rows.sort((a, b) => (a.athlete < b.athlete ? -1 : 1));
}

/** Whether a margin, as it is written, is ahead or behind: `0.0 %` is neither. */
export function hasSide(margin: string): boolean {
  return /[1-9]/.test(margin);
}

/** Half of what is drawn, round, so that everybody's best guess is in it; it grows and shrinks in steps. */
export function reachOf(rows: readonly Pick<Row, 'guess'>[]): number {
  const furthest = rows.reduce((far, { guess }) => Math.max(far, guess === null ? 0 : Math.abs(guess.mean) + guess.sd), 0);
  return [1, 2, 3, 5, 8, 12, 20, 30, 50, 80].find((step) => step >= furthest) ?? Math.ceil(furthest);
}
