// What was probably meant by a target that cannot be read, or that nobody can row: offered, never taken over by itself.
import { coachPrepare } from '#texts';
import { LIMITS } from '../../../generated/known';
import type { PieceSpec, Target } from '../../protocol/decode';
import { distanceText, targetText, timeText } from '../../ui/format';
import { readTarget } from '../../ui/parse';

const texts = coachPrepare.roster;

/** Another way to type the same, and how it reads: `3:05 for 500 m?`. */
export interface Meant {
  readonly typed: string;
  readonly text: string;
  readonly says: string;
}

/** Paces between these are usual, per 500 m (common practice, no source). */
const USUAL_MS = { least: 75_000, most: 240_000 };

/** What can be offered for a piece's target as it was typed. */
export function meantBy(typed: string, spec: PieceSpec | null): Meant | null {
  for (const text of guesses(typed.trim(), spec)) {
    const read = readTarget(text);
    if (read.ok && text !== typed && fits(read.value, spec)) return { typed, text, says: texts.meant(wordsOf(read.value, spec)) };
  }
  return null;
}

/** Why a target that can be read cannot be right, as far as a page knows; the server knows more. Empty if nothing speaks against it. */
export function tooFast(target: Target, spec: PieceSpec): string {
  const dm = metresOf(spec);
  if (target.want !== 'finish' || dm === null) return '';
  const quickest = (dm / LIMITS.speed_max_dm_a_second) * 1_000;
  return target.finish_ms < quickest ? texts.tooFast(timeText(target.finish_ms, 'if_any'), distanceText(dm), timeText((target.finish_ms * 5_000) / dm)) : '';
}

/** Most likely first. */
function guesses(typed: string, spec: PieceSpec | null): readonly string[] {
  // `6.31`, `6;31` and `6'31.5` are meant as times, and so is `6:5` or, with all the figures in a row, `631`.
  const [, minutes, seconds, tenths = '', rest = ''] = /^(\d{1,2})[.;,'’](\d{2})([.,]\d)?(\D.*)?$/.exec(typed) ?? [];
  const colons = minutes === undefined || Number(seconds) >= 60 ? typed : `${minutes}:${seconds}${tenths}${rest}`;
  const short = colons.replace(/^(\d{1,2}):(\d)(?!\d)/, '$1:0$2').replace(/^(\d)([0-5]\d)(?=$|\/)/, '$1:$2');
  const [, time] = /^([\d:.,]+)\s*(?:\/|@|for|per|a|split)?\s*(?:500\s*m?|split|pace)?$/i.exec(short) ?? [];
  const metres = /^\d{3,6}$/.test(typed) ? [`${typed}m`] : [];
  const asPace = time === undefined ? [] : [`${time}/500m`];
  const says500 = /500|split|pace/i.test(typed);
  // A time in which nobody can row the piece is one per 500 m.
  const read = time === undefined ? null : readTarget(time);
  const quick = read !== null && read.ok && spec !== null && tooFast(read.value, spec) !== '';
  const asTime = time === undefined || says500 || quick ? [] : [time];
  return metresOf(spec) === null ? [...metres, ...asPace] : [...asTime, ...asPace, ...metres];
}

function fits(target: Target, spec: PieceSpec | null): boolean {
  if (target.want === 'pace') return target.per_500m_ms >= USUAL_MS.least && target.per_500m_ms <= USUAL_MS.most;
  if (spec === null) return true;
  return (target.want === 'finish') === (metresOf(spec) !== null) && tooFast(target, spec) === '';
}

/** All the work of a piece by distance; null for one by time. */
function metresOf(spec: PieceSpec | null): number | null {
  const dm = (spec?.repeats ?? []).reduce((sum, { work }) => sum + (work.by === 'distance' ? work.distance_dm : 0), 0);
  return dm > 0 ? dm : null;
}

function wordsOf(target: Target, spec: PieceSpec | null): string {
  const dm = metresOf(spec);
  if (target.want === 'pace') return texts.meantFor(timeText(target.per_500m_ms, 'if_any'), texts.metres(500));
  if (target.want === 'finish' && dm !== null) return texts.meantFor(timeText(target.finish_ms, 'if_any'), texts.metres(dm / 10));
  return target.want === 'distance' ? texts.metres(target.distance_dm / 10) : targetText(target);
}
