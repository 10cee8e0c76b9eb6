// What changed after a call, and how sure that is: each athlete against themselves, just before and after, pooled
// over all who got it, against those who did not. It says what was measured, never that a call worked.
import { coach as texts } from '#texts';
import type { ListedCall } from '../../session/reduce';
import type { Guess } from '../../ui/chance';
import { metresPerStroke, type History, type Seen } from './history';

/** So much before the call is compared … */
const BEFORE_MS = 45_000;
/** … with what comes after the strokes in which one hears and changes … */
const REACTION_MS = 5_000;
/** … while the call stands, at most so long … */
export const AFTER_MS = 60_000;
/** … and at least so much of each is needed: five strokes at 25 a minute. */
const LEAST_MS = 12_000;
/** Everybody is slow for so much work after a standing start (own choice): it is no measure of before. */
const SETTING_OFF_MS = 15_000;
/** When the session's time runs this much ahead of the work time, there was a rest. */
const REST_MS = 3_000;
/** Fewer who did not get the call are no comparison. */
const OTHERS_MIN = 3;
/** Spread of the speed of single strokes, per cent (own choice): all there is for one athlete alone. */
const STROKE_SD = 4;

/** A change as best guess and half its 80 % interval. */
export interface Change {
  readonly mean: number;
  readonly half: number;
}

export type Effect =
  /** It still stands, and too little was rowed since. */
  | { readonly is: 'early' }
  /** This page was opened too late, or the piece paused or ended too soon. */
  | { readonly is: 'unseen' }
  | {
      readonly is: 'measured';
      /** Speed in per cent, plus is faster. */
      readonly speed: Change;
      /** Strokes a minute; none where the machines do not tell. */
      readonly rate: Change | null;
      /** Metres a stroke, in per cent. */
      readonly stroke: Change | null;
      /** How many went faster than before, and of how many that could be told. */
      readonly faster: number;
      readonly of: number;
      /** How many others it is told against; 0: against nobody, so drift of the piece is in it. */
      readonly against: number;
    };

/** The change of one athlete. */
interface Own {
  readonly speed: number;
  readonly rate: number | null;
  readonly stroke: number | null;
  /** Strokes before and after. */
  readonly strokes: readonly [number, number];
}

export function effectOf(call: ListedCall, history: History, nowMs: number): Effect {
  const got = new Set(call.athletes);
  const owns: Own[] = [];
  const others: Own[] = [];
  for (const [athlete, seen] of history) {
    const mine = got.has(athlete);
    const stood = standingFor(call, mine ? seen : [], nowMs);
    const own = stood === null ? null : changeOf(seen, stood.from, stood.until);
    if (own !== null) (mine ? owns : others).push(own);
  }
  if (owns.length === 0) return call.over === null && nowMs < call.sent_at_ms + AFTER_MS ? { is: 'early' } : { is: 'unseen' };
  const compared = others.length >= OTHERS_MIN ? others : [];
  const pooled = (of: (own: Own) => number | null): Change | null => pool(known(owns, of), known(compared, of));
  return {
    is: 'measured',
    speed: owns.length === 1 ? alone(owns, compared) : (pooled(({ speed }) => speed) ?? { mean: 0, half: Infinity }),
    rate: pooled(({ rate }) => rate),
    stroke: pooled(({ stroke }) => stroke),
    faster: owns.filter(({ speed }) => speed > 0).length,
    of: owns.length,
    against: compared.length,
  };
}

/** Whether the interval leaves 'no change' out. */
export function isClear({ mean, half }: Change): boolean {
  return Math.abs(mean) > half;
}

/** As the target line draws it: the line is no change. */
export function guessOfChange({ mean, half }: Change): Guess {
  return { mean, sd: half / quantile(Infinity) };
}

/** In words; without a clear change it says so, whatever the best guess. */
export function effectText(effect: Effect): string {
  switch (effect.is) {
    case 'early':
      return texts.effects.early;
    case 'unseen':
      return texts.effects.unseen;
    case 'measured':
      // What reads 0.0 is no change to speak of, however sure it is.
      if (!isClear(effect.speed) || Math.abs(effect.speed.mean) < 0.05) return texts.effects.unclear;
      return (effect.speed.mean > 0 ? texts.effects.faster : texts.effects.slower)(Math.abs(effect.speed.mean));
    default:
      return effect satisfies never;
  }
}

/** `−1.8 ± 0.6`; with a point and a typographic minus. */
export function changeText({ mean, half }: Change): string {
  const sign = mean.toFixed(1) === '0.0' || mean.toFixed(1) === '-0.0' ? '' : mean < 0 ? '−' : '+';
  return `${sign}${Math.abs(mean).toFixed(1)} ± ${half.toFixed(1)}`;
}

/**
 * From when until when the call stood. One of the sheet reaches each athlete when they are there: it is told from when
 * they were seen to have it, and there is nobody to hold it against, since all get it.
 */
function standingFor(call: ListedCall, seen: readonly Seen[], nowMs: number): { readonly from: number; readonly until: number } | null {
  const had = seen.filter((one) => one.call === call.call);
  const from = call.sheet === null ? call.sent_at_ms : had[0]?.at_ms;
  if (from === undefined) return null;
  const ended = call.sheet === null ? (call.over?.at_ms ?? nowMs) : (had.at(-1)?.at_ms ?? nowMs);
  return { from, until: Math.min(ended, from + AFTER_MS) };
}

/** One athlete before the call and after; null when there was too little of either, or a rest between. */
function changeOf(seen: readonly Seen[], sentMs: number, untilMs: number): Own | null {
  const before = stretch(seen, sentMs - BEFORE_MS, sentMs, 'end');
  const after = stretch(seen, sentMs + REACTION_MS, untilMs, 'start');
  if (before === null || after === null || lagOf(after.at(-1)) - lagOf(before.at(0)) > REST_MS) return null;
  const [was, is] = [speedOf(before), speedOf(after)];
  if (was <= 0 || is <= 0) return null;
  const [rateWas, rateIs] = [meanOf(before, rateOf), meanOf(after, rateOf)];
  const [strokeWas, strokeIs] = [meanOf(before, metresPerStroke), meanOf(after, metresPerStroke)];
  const strokes = (rows: readonly Seen[], rate: number | null) => ((rate ?? 25) / 60_000) * lengthOf(rows);
  return {
    speed: (is / was - 1) * 100,
    rate: rateWas === null || rateIs === null ? null : rateIs - rateWas,
    stroke: strokeWas === null || strokeIs === null ? null : (strokeIs / strokeWas - 1) * 100,
    strokes: [strokes(before, rateWas), strokes(after, rateIs)],
  };
}

/** What was rowed without a pause between two instants, next to the call; null when that is too little. */
function stretch(seen: readonly Seen[], fromMs: number, toMs: number, near: 'start' | 'end'): readonly Seen[] | null {
  let rows: Seen[] = [];
  let least = Infinity;
  let setOffAt = 0;
  for (const row of seen) {
    if (row.at_ms < fromMs || row.at_ms > toMs) continue;
    const lag = lagOf(row);
    const paused = lag - least > REST_MS;
    if (paused && near === 'start') break;
    if (paused) [rows, least, setOffAt] = [[], lag, row.elapsed_ms];
    least = Math.min(least, lag);
    if (near === 'start' || row.elapsed_ms - setOffAt >= SETTING_OFF_MS) rows.push(row);
  }
  return lengthOf(rows) >= LEAST_MS ? rows : null;
}

/** How far the session's time is ahead of the work time; it comes with the strokes, so it may jump by one of them. */
function lagOf(row: Seen | undefined): number {
  return row === undefined ? 0 : row.at_ms - row.elapsed_ms;
}

function lengthOf(rows: readonly Seen[]): number {
  return (rows.at(-1)?.elapsed_ms ?? 0) - (rows[0]?.elapsed_ms ?? 0);
}

/** In decimetres a millisecond. */
function speedOf(rows: readonly Seen[]): number {
  return ((rows.at(-1)?.done_dm ?? 0) - (rows[0]?.done_dm ?? 0)) / lengthOf(rows);
}

function rateOf({ rate_half_spm }: Seen): number | null {
  return rate_half_spm === null ? null : rate_half_spm / 2;
}

function meanOf(rows: readonly Seen[], of: (row: Seen) => number | null): number | null {
  const numbers = known(rows, of);
  return numbers.length === 0 ? null : mean(numbers);
}

/** The mean of these, less that of the others, with its 80 % interval (Welch); null for fewer than two. */
function pool(numbers: readonly number[], others: readonly number[]): Change | null {
  if (numbers.length < 2) return null;
  const parts = [numbers, others].filter((part) => part.length >= 2).map((part) => [variance(part) / part.length, part.length - 1] as const);
  const sum = parts.reduce((all, [square]) => all + square, 0);
  const freedom = sum === 0 ? numbers.length - 1 : sum ** 2 / parts.reduce((all, [square, df]) => all + square ** 2 / df, 0);
  const drift = others.length >= 2 ? mean(others) : 0;
  return { mean: mean(numbers) - drift, half: quantile(freedom) * Math.sqrt(sum) };
}

/** One athlete: the interval is that of so many strokes, as strokes go. */
function alone([own]: readonly Own[], others: readonly Own[]): Change {
  if (own === undefined) return { mean: 0, half: Infinity };
  const noise = STROKE_SD ** 2 * (1 / Math.max(1, own.strokes[0]) + 1 / Math.max(1, own.strokes[1]));
  const speeds = others.map(({ speed }) => speed);
  const drift = speeds.length === 0 ? 0 : mean(speeds);
  const drifts = speeds.length === 0 ? 0 : variance(speeds) / speeds.length;
  return { mean: own.speed - drift, half: quantile(Infinity) * Math.sqrt(noise + drifts) };
}

/**
 * Half an 80 % interval in standard errors: the 90th percentile of Student's t, by the expansion of
 * Abramowitz and Stegun 26.7.5, which is right within 1 % from three degrees of freedom; below, from the table.
 */
export function quantile(freedom: number): number {
  if (freedom < 1.5) return 3.078;
  if (freedom < 2.5) return 1.886;
  const x = 1.281_551_6;
  const [g1, g2, g3] = [(x ** 3 + x) / 4, (5 * x ** 5 + 16 * x ** 3 + 3 * x) / 96, (3 * x ** 7 + 19 * x ** 5 + 17 * x ** 3 - 15 * x) / 384];
  return x + g1 / freedom + g2 / freedom ** 2 + g3 / freedom ** 3;
}

function known<One>(all: readonly One[], of: (one: One) => number | null): number[] {
  return all.flatMap((one) => of(one) ?? []);
}

function mean(numbers: readonly number[]): number {
  return numbers.reduce((sum, number) => sum + number, 0) / numbers.length;
}

function variance(numbers: readonly number[]): number {
  const middle = mean(numbers);
  return numbers.length < 2 ? 0 : numbers.reduce((sum, number) => sum + (number - middle) ** 2, 0) / (numbers.length - 1);
}
