// Results as they are looked at; the table for keeping is written by the server.
import { coachResults as texts } from '#texts';
import type { AthleteResult, AthleteView, Calibration, Extent, Mark, PieceView } from '../../protocol/decode';
import { distanceText, targetText, timeText } from '../../ui/format';
import { outcomeText } from '../../ui/words';
import { ruledRemarks } from './rulings';

/** Those with a place first, in order; then the others as the server lists them. */
export function inOrder(results: readonly AthleteResult[]): readonly AthleteResult[] {
  const rank = ({ place, outcome }: AthleteResult) => place ?? (outcome === 'did_not_start' ? 2e9 : 1e9);
  return [...results].sort((a, b) => rank(a) - rank(b));
}

/** The result as shown; for an athlete who did not finish, what was rowed. */
export function resultText({ shown, outcome, distance_dm, time_ms }: AthleteResult): string {
  if (shown !== null) return targetText(shown);
  return outcome === 'did_not_start' ? '' : texts.rowedIn(distanceText(Math.floor(distance_dm / 10) * 10), timeText(time_ms));
}

/** `1:31.2 · 1:32.0 …`: the time of each split or, in a time piece, its distance. */
export function splitsText({ splits }: AthleteResult, piece: PieceView): readonly string[] {
  const byTime = piece.spec.repeats[0]?.work.by === 'time';
  return splits.map(({ distance_dm, time_ms }) => (byTime ? distanceText(Math.round(distance_dm / 10) * 10) : timeText(time_ms)));
}

/** The splits as they are looked at: one that was not rowed to its end says how much of it was. */
export function splitsShown(result: AthleteResult, piece: PieceView): readonly string[] {
  const { repeats } = piece.spec;
  const lengths = repeats.length > 1 ? repeats.map(({ work }) => work) : Array.from({ length: QUARTERS }, () => part(repeats[0]?.work));
  const plain = splitsText(result, piece);
  return result.splits.map(({ distance_dm, time_ms }, nth) => {
    const whole = lengths[nth];
    const isShort = whole?.by === 'distance' ? distance_dm < whole.distance_dm - SLACK_DM : whole?.by === 'time' && time_ms < whole.time_ms - SLACK_MS;
    return result.outcome !== 'finished' && isShort === true ? texts.rowedIn(distanceText(Math.floor(distance_dm / 10) * 10), timeText(time_ms)) : (plain[nth] ?? '');
  });
}

/** A single stretch is given in quarters. */
const QUARTERS = 4;
/** Splits are cut where the machine reported: up to this much may be missing from one that was rowed to its end. */
const SLACK_DM = 10;
const SLACK_MS = 500;

function part(work: Extent | undefined): Extent | undefined {
  return work?.by === 'distance' ? { ...work, distance_dm: work.distance_dm / QUARTERS } : work?.by === 'time' ? { ...work, time_ms: work.time_ms / QUARTERS } : undefined;
}

/** What is said beside a result; a rower that nobody rowed is named. */
export function remarksText(result: AthleteResult, piece: PieceView, view: AthleteView | undefined): string {
  const end = result.outcome === 'finished' ? [] : [outcomeText(result, piece)];
  const made = isMadeUp(view?.machine ?? null) ? [texts.madeUp] : [];
  const heading = result.estimate === null ? [] : [texts.wasHeading(targetText(result.estimate))];
  return texts.allRemarks([...ruledRemarks(result), ...end, ...heading, ...made, ...marksTold(result)]);
}

/** Missed repeats are already mentioned by how it ended, and that there is no place by what a coach has ruled. */
function marksTold({ outcome, marks, ruling }: AthleteResult): readonly string[] {
  const isSaid = (mark: Mark) => (mark === 'repeats_missed' ? outcome === 'unfinished' : mark === 'unranked' && ruling?.unplaced != null);
  return marks.filter((mark) => !isSaid(mark)).map((mark) => texts.marks[mark]);
}

/** The names that the page's own demo rower, the command line's, and those of a rehearsal give themselves. */
function isMadeUp(machine: string | null): boolean {
  return machine !== null && /^simulated|\(made up\)$/.test(machine);
}

/** How far the projections can be trusted; said from this many finishes on. */
const CALIBRATED_MIN = 30;

export function calibrationText({ finishes, held, intervals }: Calibration): string {
  return finishes < CALIBRATED_MIN || intervals === 0 ? '' : texts.calibrated(finishes, held / intervals);
}
