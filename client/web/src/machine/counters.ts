// The machine's counters: what its records say, as samples of one recording.
//
// The link may come and go in between; the machine counts on, and so does this. Nothing is reset to zero here: the
// server finds the baseline and joins the parts when a machine was reset.

import { LIMITS } from '../../generated/known';
import type { Rowed } from './ftms';

/** What a sample of the protocol holds, except for its number and its instant, which the recording gives it. */
export interface Said {
  readonly distance_dm: number;
  readonly elapsed_ms?: number;
  readonly strokes?: number;
  readonly rate_half_spm?: number;
  readonly power_w?: number;
}

/** A 16-bit counter and how often it has wrapped. */
interface Wheel {
  readonly shows: number;
  readonly rounds: number;
}

/** What the machine has said so far, newest value of each field. */
export interface Counters {
  readonly distance_m: number | null;
  readonly elapsed: Wheel | null;
  readonly strokes: Wheel | null;
  readonly rate_half_spm: number | null;
  readonly power_w: number | null;
  /** When the previous record was heard, on this device's own clock. */
  readonly heard_ms: number;
  /** The distance was the same as in the previous record: nobody is moving the handle. */
  readonly atRest: boolean;
}

/** Nothing has been said yet. */
export const NOTHING_SAID: Counters = {
  distance_m: null,
  elapsed: null,
  strokes: null,
  rate_half_spm: null,
  power_w: null,
  heard_ms: 0,
  atRest: true,
};

const ROUND = 65_536;
/** Nobody rows more than 70 strokes a minute; beyond that a falling counter was reset to zero. */
const STROKES_A_SECOND_MAX = 70 / 60;
/** A machine's clock against ours, at most; it reports in whole seconds. */
const SECONDS_A_SECOND_MAX = 1.02;
/** Allows for reports that came late or in whole numbers. */
const SLACK = 5;
/** Above these the server refuses a sample, distance and all; some machines say 'unknown' with all ones. */
const { rate_max_half_spm: RATE_MAX_HALF_SPM, power_max_w: POWER_MAX_W } = LIMITS;

/**
 * Takes in one record. Each one with a distance gives a sample; machines that send their fields in turns lose nothing,
 * since the newest value of every other field goes with it. The machine's own clock goes along only when it is from the
 * same record: beside a later distance it would be untrue.
 */
export function counted(before: Counters, record: Rowed, heardMs: number): { readonly counters: Counters; readonly said: Said | null } {
  const distance = record.distance_m ?? null;
  const reset = distance !== null && before.distance_m !== null && distance < before.distance_m;
  const passedS = Math.max(0, heardMs - before.heard_ms) / 1_000;
  const turn = (wheel: Wheel | null, shows: number | null | undefined, most: number) =>
    typeof shows === 'number' ? turned(reset ? null : wheel, shows, passedS * most + SLACK) : wheel;
  const counters: Counters = {
    distance_m: distance ?? before.distance_m,
    elapsed: turn(before.elapsed, record.elapsed_s, SECONDS_A_SECOND_MAX),
    strokes: turn(before.strokes, record.strokes, STROKES_A_SECOND_MAX),
    rate_half_spm: believed(record.rate_half_spm, before.rate_half_spm, RATE_MAX_HALF_SPM),
    power_w: believed(record.power_w, before.power_w, POWER_MAX_W),
    heard_ms: heardMs,
    atRest: distance === null ? before.atRest : before.distance_m === null || distance === before.distance_m,
  };
  if (distance === null) return { counters, said: null };
  const clock = record.elapsed_s === undefined ? null : counters.elapsed;
  return { counters, said: saidBy(counters, distance, clock) };
}

/**
 * What a machine that has fallen silent still shows: the server wants to hear it in the last second before the go, and
 * some machines say nothing while nobody rows. Null while somebody does, or before the first report.
 */
export function standing(counters: Counters): Said | null {
  if (counters.distance_m === null || !counters.atRest) return null;
  return saidBy({ ...counters, rate_half_spm: null, power_w: null }, counters.distance_m, null);
}

function saidBy({ strokes, rate_half_spm, power_w }: Counters, distance: number, clock: Wheel | null): Said {
  return {
    distance_dm: distance * 10,
    ...(clock === null ? {} : { elapsed_ms: total(clock) * 1_000 }),
    ...(strokes === null ? {} : { strokes: total(strokes) }),
    ...(rate_half_spm === null ? {} : { rate_half_spm }),
    ...(power_w === null ? {} : { power_w }),
  };
}

/** A counter that shows less than before has wrapped, if that takes it no further than could be rowed; otherwise it was reset. */
function turned(before: Wheel | null, shows: number, most: number): Wheel {
  if (before === null) return { shows, rounds: 0 };
  if (shows >= before.shows) return { shows, rounds: before.rounds };
  const wentRound = shows + ROUND - before.shows <= most;
  return { shows, rounds: wentRound ? before.rounds + 1 : 0 };
}

function total({ shows, rounds }: Wheel): number {
  return rounds * ROUND + shows;
}

function believed(now: number | null | undefined, before: number | null, most: number): number | null {
  if (now === undefined) return before;
  return now !== null && now >= 0 && now <= most ? now : null;
}
