// Results as a table to keep: a file that any spreadsheet reads, one line an athlete and piece.
import type { AthleteResult, AthleteView, Mark, PieceView } from '../../protocol/decode';
import { distanceText, marginText, pieceText, targetText, timeText } from '../../ui/format';
import { outcomeText } from '../../ui/words';

/** Placed first, in their order; then the others as the server lists them. */
export function inOrder(results: readonly AthleteResult[]): readonly AthleteResult[] {
  const rank = ({ place, outcome }: AthleteResult) => place ?? (outcome === 'did_not_start' ? 2e9 : 1e9);
  return [...results].sort((a, b) => rank(a) - rank(b));
}

export function markText(mark: Mark): string {
  switch (mark) {
    case 'implausible':
      return 'faster than anybody is known to row: look at it';
    case 'joined':
      return 'machine was reset, parts joined';
    case 'gaps':
      return 'some samples are missing, totals are right';
    case 'no_baseline':
      return 'not known where the machine stood at the start: counted from what was heard';
    case 'heard_late':
      return 'first heard late, counted by the machine\u2019s own clock';
    case 'clocks_apart':
      return 'machine’s clock and the session’s ran apart: times may be wrong';
    case 'damaged':
      return 'the server’s journal was damaged here: look at it';
    case 'late_start':
      return 'first stroke came late';
    default:
      return mark satisfies never;
  }
}

/** The result as shown; of one who did not finish, what was rowed. */
export function resultText({ shown, outcome, distance_dm, time_ms }: AthleteResult): string {
  if (shown !== null) return targetText(shown);
  return outcome === 'did_not_start' ? '' : `${distanceText(Math.floor(distance_dm / 10) * 10)} in ${timeText(time_ms)}`;
}

/** `1:31.2 · 1:32.0 …`: of each split its time, or of a time piece its distance. */
export function splitsText({ splits }: AthleteResult, piece: PieceView): readonly string[] {
  const byTime = piece.spec.repeats[0]?.work.by === 'time';
  return splits.map(({ distance_dm, time_ms }) => (byTime ? distanceText(Math.round(distance_dm / 10) * 10) : timeText(time_ms)));
}

const HEADING = [
  'piece', 'title', 'place', 'name', 'team', 'outcome', 'result', 'time_ms', 'distance_dm', 'target', 'margin', 'margin_ppm', 'strokes', 'splits', 'remarks',
];

/** All results of these pieces, RFC 4180. */
export function csvOf(pieces: readonly PieceView[], athletes: readonly AthleteView[]): string {
  const views = new Map(athletes.map((view) => [view.athlete, view]));
  const rows = pieces.flatMap((piece) =>
    inOrder(piece.results).map((result) => {
      const view = views.get(result.athlete);
      return [
        pieceText(piece.spec.repeats),
        piece.spec.title,
        result.place ?? '',
        view?.spec.name ?? '',
        view?.spec.team ?? '',
        outcomeText(result.outcome),
        resultText(result),
        result.time_ms,
        result.distance_dm,
        result.target === null ? '' : targetText(result.target),
        result.margin === null ? '' : marginText(result.margin, 'amount'),
        result.margin?.margin_ppm ?? '',
        result.strokes ?? '',
        splitsText(result, piece).join(' '),
        result.marks.map(markText).join('; '),
      ];
    }),
  );
  return [HEADING, ...rows].map((row) => `${row.map(cell).join(',')}\r\n`).join('');
}

/** Quoted where it must be; a name that a spreadsheet would take for a formula is made text. */
export function cell(value: string | number): string {
  const text = typeof value === 'string' && /^[=@\t\r]|^[+-](?![\d.])/.test(value) ? `'${value}` : String(value);
  return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}

/** A name for the file, of letters that every system takes. */
export function fileName(title: string, what: string): string {
  const words = title.normalize('NFKD').replaceAll(/[^A-Za-z0-9]+/g, '-').replaceAll(/^-+|-+$/g, '').toLowerCase();
  return `${words === '' ? 'session' : words}-${what}.csv`;
}
