// The end of a piece: whom closing it would cut off, and how long each of them would need.
import { coach as texts } from '#texts';
import type { Line, PieceSpec } from '../../protocol/decode';
import { athlete, currentPiece, type Session } from '../../session/reduce';
import { clockText } from '../../ui/format';

/** More names than this do not make a sentence. */
const NAMES_MAX = 3;
/** A projection is not a stopwatch. */
const STEP_MS = 5_000;

/** Whom everybody is waiting for, soonest home first: `Waiting for Ida Fenn (about 0:40) and Bo Quist (no signal)`. Empty when for nobody. */
export function closingText(session: Session): string {
  const piece = currentPiece(session);
  const lines = (session.standings?.lines ?? []).filter((line) => session.standings?.waits_for.includes(line.athlete));
  if (piece === null || lines.length === 0) return '';
  const out = lines
    // How far each is by now is in the details; the lines stand for a while.
    .map((line) => ({ line, leftMs: leftMs({ ...line, ...session.details.find(({ athlete }) => athlete === line.athlete) }, piece.spec) }))
    .sort((a, b) => (a.leftMs ?? Infinity) - (b.leftMs ?? Infinity) || 0);
  const { waitingEach, allOthersIn, needs, needsUnheard, needsStopped } = texts.field;
  const each = out.slice(0, NAMES_MAX).map(({ line, leftMs }) => {
    const name = athlete(session, line.athlete)?.spec.name ?? '?';
    if (line.not_heard) return needsUnheard(name);
    if (line.doing === 'stopped') return needsStopped(name);
    return leftMs === null ? name : needs(name, clockText(Math.max(1, Math.ceil(leftMs / STEP_MS)) * (STEP_MS / 1_000)));
  });
  const more = out.length - each.length;
  // Nobody rows any more: the piece is over as soon as the coach says so.
  if (session.standings?.nobody_rows_since_ms != null) return allOthersIn(out.map(({ line }) => athlete(session, line.athlete)?.spec.name ?? '?').slice(0, NAMES_MAX), more);
  return waitingEach(each, more);
}

/** How long somebody would need to the end, going by the projection; null while that is not known. */
export function leftMs({ projected, done_dm, elapsed_ms, not_heard }: Line, spec: PieceSpec): number | null {
  const finish = projected?.finish;
  if (finish === undefined || not_heard) return null;
  const work = spec.repeats.reduce((all, { work }) => all + (work.by === 'time' ? work.time_ms : 0), 0);
  const whole = finish.want === 'finish' ? finish.finish_ms : work;
  return Math.max(0, whole - elapsed_ms) + restsAhead(spec, done_dm, elapsed_ms);
}

/** Where each has rests of their own, those after repeats that have not been rowed yet; on a common signal all of them are over. */
function restsAhead({ repeats, repeat_start }: PieceSpec, done_dm: number, elapsed_ms: number): number {
  if (repeat_start === 'common_signal') return 0;
  let [dm, ms, rests] = [0, 0, 0];
  for (const { work, rest_ms } of repeats.slice(0, -1)) {
    if (work.by === 'distance') dm += work.distance_dm;
    else ms += work.time_ms;
    rests += (work.by === 'distance' ? done_dm < dm : elapsed_ms < ms) ? rest_ms : 0;
  }
  return rests;
}
