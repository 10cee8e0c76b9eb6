// Results as a table to keep: a file that any spreadsheet reads, one line an athlete and piece.
import { coachResults as texts } from '#texts';
import type { AthleteResult, AthleteView, PieceView } from '../../protocol/decode';
import { distanceText, marginText, pieceText, targetText, timeText } from '../../ui/format';
import { outcomeText } from '../../ui/words';

/** Placed first, in their order; then the others as the server lists them. */
export function inOrder(results: readonly AthleteResult[]): readonly AthleteResult[] {
  const rank = ({ place, outcome }: AthleteResult) => place ?? (outcome === 'did_not_start' ? 2e9 : 1e9);
  return [...results].sort((a, b) => rank(a) - rank(b));
}

/** The result as shown; of an athlete who did not finish, what was rowed. */
export function resultText({ shown, outcome, distance_dm, time_ms }: AthleteResult): string {
  if (shown !== null) return targetText(shown);
  return outcome === 'did_not_start' ? '' : texts.rowedIn(distanceText(Math.floor(distance_dm / 10) * 10), timeText(time_ms));
}

/** `1:31.2 · 1:32.0 …`: of each split its time, or of a time piece its distance. */
export function splitsText({ splits }: AthleteResult, piece: PieceView): readonly string[] {
  const byTime = piece.spec.repeats[0]?.work.by === 'time';
  return splits.map(({ distance_dm, time_ms }) => (byTime ? distanceText(Math.round(distance_dm / 10) * 10) : timeText(time_ms)));
}

/** The format of the file, whatever the language of the page. */
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
        texts.allRemarks(result.marks.map((mark) => texts.marks[mark])),
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
