// A piece read back in words, with all its work: what was typed in short form is checked by reading it in full.
import { coachPrepare } from '#texts';
import type { Extent, Repeat } from '../../protocol/decode';
import { clockText } from '../../ui/format';

const says = coachPrepare.pieces.words;

/** `6 times 350 m, 1:15 rest: 2,100 m of work`; for a single stretch only how long it is. */
export function pieceWords(repeats: readonly Repeat[]): string {
  const first = repeats[0];
  if (first === undefined) return '';
  if (repeats.length === 1) return workWords(first.work);
  const parts = setsWords(repeats) ?? groups(repeats).map(({ count, work, rest_ms }, nth, all) => says.withRest(timesWords(count, work), count === 1 && nth === all.length - 1 ? '' : restWords(rest_ms)));
  return says.total(typeof parts === 'string' ? parts : says.then(parts), workWords(whole(repeats)));
}

function workWords(work: Extent): string {
  return work.by === 'distance' ? says.metres(work.distance_dm / 10) : work.time_ms % 60_000 === 0 ? says.minutes(work.time_ms / 60_000) : restWords(work.time_ms);
}

function timesWords(count: number, work: Extent): string {
  return count === 1 ? workWords(work) : says.times(count, workWords(work));
}

function restWords(ms: number): string {
  return ms < 60_000 ? says.seconds(ms / 1_000) : clockText(Math.round(ms / 1_000));
}

function whole(repeats: readonly Repeat[]): Extent {
  const dm = repeats.reduce((sum, { work }) => sum + (work.by === 'distance' ? work.distance_dm : 0), 0);
  const ms = repeats.reduce((sum, { work }) => sum + (work.by === 'time' ? work.time_ms : 0), 0);
  return dm > 0 ? { by: 'distance', distance_dm: dm } : { by: 'time', time_ms: ms };
}

interface Group {
  readonly count: number;
  readonly work: Extent;
  readonly rest_ms: number;
}

/** Repeats that are alike; the very last has no rest of its own and is grouped with those before it. */
function groups(repeats: readonly Repeat[]): readonly Group[] {
  const found: Group[] = [];
  for (const [nth, { work, rest_ms }] of repeats.entries()) {
    const last = found.at(-1);
    const isLast = nth === repeats.length - 1;
    if (last !== undefined && alike(last.work, work) && (isLast || last.rest_ms === rest_ms)) found[found.length - 1] = { ...last, count: last.count + 1 };
    else found.push({ count: 1, work, rest_ms });
  }
  return found;
}

/** `3 times 4 times 500 m, 1:00 rest, 4:00 between sets`; null where there are none. */
function setsWords(repeats: readonly Repeat[]): string | null {
  const first = repeats[0];
  if (first === undefined || repeats.some(({ work }) => !alike(work, first.work))) return null;
  const rests = repeats.slice(0, -1).map(({ rest_ms }) => rest_ms);
  const each = rests.findIndex((rest) => rest !== first.rest_ms) + 1;
  const between = rests[each - 1];
  if (each < 2 || between === undefined || repeats.length % each !== 0) return null;
  if (rests.some((rest, nth) => rest !== ((nth + 1) % each === 0 ? between : first.rest_ms))) return null;
  return says.sets(says.times(repeats.length / each, says.times(each, workWords(first.work))), restWords(first.rest_ms), restWords(between));
}

function alike(one: Extent, other: Extent): boolean {
  return one.by === 'distance' ? other.by === 'distance' && one.distance_dm === other.distance_dm : other.by === 'time' && one.time_ms === other.time_ms;
}
