// The field as board and coach draw it: order, places and numbers as the server gives them, in lines that keep their place in
// the document.
import type { AthleteView, Line } from '../protocol/decode';
import type { Session } from '../session/reduce';
import { guessOf, type Guess } from './chance';
import { marginText, targetText } from './format';

/** One athlete of the field. */
export interface Row {
  readonly athlete: string;
  readonly name: string;
  /** From the top, 0 first. */
  readonly order: number;
  readonly line: Line;
  /** Null without a target or a projection. */
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
    const { margin, projected } = line;
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

/** On which side of the line somebody stands, by the sign of the margin as it is shown; `0.0 %` is on neither. */
export type Side = 'ahead' | 'behind' | 'none';

/** The side that a margin shows, as it is written. */
export function sideOf(margin: string): Side {
  if (!/[1-9]/.test(margin)) return 'none';
  return margin.startsWith('−') ? 'behind' : 'ahead';
}

/** Half of what is drawn, rounded, so that everybody's best guess is in it; it grows and shrinks in steps. */
export function reachOf(rows: readonly Pick<Row, 'guess'>[]): number {
  const furthest = rows.reduce((far, { guess }) => Math.max(far, guess === null ? 0 : Math.abs(guess.mean) + guess.sd), 0);
  return [1, 2, 3, 5, 8, 12, 20, 30, 50, 80].find((step) => step >= furthest) ?? Math.ceil(furthest);
}
