// Times, distances, paces and margins in words: rounded once, in the same way as the command-line program. Signs are
// typographic (− and ±): they are as wide as figures, and screen readers read them.
import { language } from '#texts';
import type { Extent, Margin, Projected, Ranking, Repeat, Target } from '../protocol/decode';

/**
 * A figure with a separate unit, as it goes into a sentence. Among right-to-left words it would fall apart: Unicode's
 * isolates keep it together. Where a figure stands alone, `<bdi dir="ltr">` does.
 */
export function figure(text: string): string {
  return language.direction === 'ltr' ? text : `\u2066${text}\u2069`;
}

/** A time rounded to a tenth: `6:31.5`, `1:02:03.0`; without tenths only where there are none and none are asked for. */
export function timeText(ms: number, tenths: 'always' | 'if_any' = 'always'): string {
  const all = Math.round(ms / 100);
  const tenth = all % 10;
  const text = clockText(Math.floor(all / 10));
  return tenths === 'always' || tenth > 0 ? `${text}.${tenth}` : text;
}

/** Whole seconds as a clock shows them: `0:09`, `6:31`, `1:02:03`. */
export function clockText(seconds: number): string {
  const two = (part: number) => String(part).padStart(2, '0');
  const [hours, minutes] = [Math.floor(seconds / 3_600), Math.floor(seconds / 60) % 60];
  return hours > 0 ? `${hours}:${two(minutes)}:${two(seconds % 60)}` : `${minutes}:${two(seconds % 60)}`;
}

/** A length of time as it is set: `12min`, `1:15`, `0:20.25`. */
export function durationText(ms: number): string {
  if (ms > 0 && ms % 60_000 === 0) return `${ms / 60_000}min`;
  const rest = ms % 1_000;
  const text = `${Math.floor(ms / 60_000)}:${String(Math.floor(ms / 1_000) % 60).padStart(2, '0')}`;
  return rest === 0 ? text : `${text}.${String(rest).padStart(3, '0')}`.replace(/0+$/, '');
}

/** A distance: `1700m`, `0.5m` only when there are tenths. */
export function distanceText(dm: number): string {
  return dm % 10 === 0 ? `${dm / 10}m` : `${Math.floor(dm / 10)}.${dm % 10}m`;
}

/** A pace: `1:52.4/500m`. */
export function paceText(per500mMs: number): string {
  return `${timeText(per500mMs)}/500m`;
}

export function targetText(target: Target): string {
  switch (target.want) {
    case 'finish':
      return timeText(target.finish_ms);
    case 'distance':
      return distanceText(target.distance_dm);
    case 'pace':
      return paceText(target.per_500m_ms);
    default:
      return target satisfies never;
  }
}

/** A margin as the session ranks by it: `+1.2 %`, `−3.4 s`, `+12.0 m`; plus is ahead. */
export function marginText(margin: Margin, ranking: Ranking): string {
  if (ranking === 'amount' && margin.margin_ms !== null) return `${signed(margin.margin_ms, 100)} s`;
  if (ranking === 'amount' && margin.margin_dm !== null) return `${signed(margin.margin_dm, 1)} m`;
  return `${signed(margin.margin_ppm, 1_000)} %`;
}

/** A margin for the athlete on the machine: whole seconds, or whole metres in a time piece. */
export function wholeMarginText(margin: Margin): string {
  const [amount, of, unit] = margin.margin_dm === null ? [margin.margin_ms ?? 0, 1_000, 's'] : [margin.margin_dm, 10, 'm'];
  const whole = Math.floor((Math.abs(amount) + of / 2) / of);
  return `${sign(amount, whole)}${whole} ${unit}`;
}

/** A projection with half its 80 % interval: `9:06.1 ± 3.2 s`, `4120m ± 15 m`; in whole seconds `9:06 ± 3 s`. */
export function projectedText({ finish, low, high }: Projected, to: 'tenths' | 'whole' = 'tenths'): string {
  const text = to === 'whole' && finish.want === 'finish' ? clockText(Math.round(finish.finish_ms / 1_000)) : targetText(finish);
  if (low.want === 'finish' && high.want === 'finish') {
    if (to === 'whole') {
      const seconds = Math.round((high.finish_ms - low.finish_ms) / 2_000);
      return seconds <= 0 ? text : `${text} ± ${seconds} s`;
    }
    const tenths = Math.floor((Math.floor((high.finish_ms - low.finish_ms) / 2) + 50) / 100);
    return tenths <= 0 ? text : `${text} ± ${Math.floor(tenths / 10)}.${tenths % 10} s`;
  }
  if (low.want === 'distance' && high.want === 'distance') {
    const metres = Math.floor((Math.floor((high.distance_dm - low.distance_dm) / 2) + 5) / 10);
    return metres <= 0 ? text : `${text} ± ${metres} m`;
  }
  return text;
}

/** How long one stretch is: `350m`, `4min`. */
export function extentText(work: Extent): string {
  return work.by === 'distance' ? distanceText(work.distance_dm) : durationText(work.time_ms);
}

/** A piece in the shortest words: `1700m`, `6x350m/1:15`, `3x4x500m/1min/4min`, joined by `+`. */
export function pieceText(repeats: readonly Repeat[]): string {
  const sets = setsText(repeats);
  if (sets !== null) return sets;
  const parts: string[] = [];
  let left = repeats;
  for (let first = left[0]; first !== undefined; first = left[0]) {
    const one = first;
    const differs = left.findIndex((repeat) => !alike(repeat, one));
    let count = differs === -1 ? left.length : differs;
    // The last repeat of a piece has no rest of its own: it is grouped with those before it.
    const last = left[count];
    if (last !== undefined && count === left.length - 1 && extentText(last.work) === extentText(one.work)) count += 1;
    const alone = count === 1 && left.length === 1 && one.rest_ms === 0;
    parts.push(`${count > 1 ? `${count}x` : ''}${extentText(one.work)}${alone ? '' : `/${durationText(one.rest_ms)}`}`);
    left = left.slice(count);
  }
  return parts.join('+');
}

/** `sets x each x work/inside/between`, when the piece is made so. */
function setsText(repeats: readonly Repeat[]): string | null {
  const first = repeats[0];
  if (first === undefined || repeats.some(({ work }) => extentText(work) !== extentText(first.work))) return null;
  const rests = repeats.slice(0, -1).map(({ rest_ms }) => rest_ms);
  const each = rests.findIndex((rest) => rest !== first.rest_ms) + 1;
  const between = rests[each - 1];
  if (each < 2 || between === undefined || repeats.length % each !== 0) return null;
  if (rests.some((rest, nth) => rest !== ((nth + 1) % each === 0 ? between : first.rest_ms))) return null;
  return `${repeats.length / each}x${each}x${extentText(first.work)}/${durationText(first.rest_ms)}/${durationText(between)}`;
}

function alike(a: Repeat, b: Repeat): boolean {
  return a.rest_ms === b.rest_ms && extentText(a.work) === extentText(b.work);
}

/** One signed decimal, rounded once: `of` units are a tenth. */
function signed(amount: number, of: number): string {
  const tenths = Math.floor((Math.abs(amount) + of / 2) / of);
  return `${sign(amount, tenths)}${Math.floor(tenths / 10)}.${tenths % 10}`;
}

/** What rounds to zero has no sign. */
function sign(amount: number, rounded: number): string {
  if (rounded === 0) return '';
  return amount < 0 ? '−' : '+';
}
