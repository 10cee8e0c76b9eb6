// The athlete's own numbers, from their own machine alone: they go on whatever the connection does. For their own
// display; what counts is computed by the server from the same samples.
import { LIMITS } from '../../../generated/known';
import { Odometer } from '../../machine/odometer';
import { marked, pace, type Mark } from '../../machine/pace';
import type { Sample } from '../../protocol/decode';

/** One report of the machine, its counters joined into ones that never run back. */
export interface Report {
  /** On this device's own clock, sped up as much as the session. */
  readonly ms: number;
  readonly dm: number;
  readonly strokes: number | null;
  readonly rate_half_spm: number | null;
}

/** Reports that are looked at: two hours at four a second; beyond that the oldest go. */
const REPORTS_MAX = 28_800;
/** After this long without a metre nobody is rowing. */
const STILL_MS = LIMITS.stopped_after_ms;
/** Nobody pauses this long within a stroke. */
const STANDSTILL_MS = 4_000;
/** A rate older than this, in real time, says nothing about now. */
const RATE_FRESH_MS = 6_000;

/**
 * Instants come and go on the device's own clock. How fast somebody rows, and for how long nobody has, is judged on one
 * that runs as fast as the session: otherwise nobody would be believed in a rehearsal ten times faster than real time.
 */
export class Meter {
  readonly #speed: number;
  #reports: Report[] = [];
  #marks: readonly Mark[] = [];
  #lastMoveMs = -Infinity;
  #odometer = new Odometer<{ readonly ms: number } & Omit<Sample, 'seq' | 'heard_ms'>>();

  constructor(speed = 1) {
    this.#speed = speed;
  }

  /** Takes in a report; `ms` on the device's clock. Those from before a reload come first, in order. */
  take(said: Omit<Sample, 'seq' | 'heard_ms'>, ms: number): void {
    for (const { report, ...joined } of this.#odometer.take({ ...said, ms: ms * this.#speed })) {
      this.#count({ ...joined, rate_half_spm: report.rate_half_spm ?? null });
    }
  }

  #count(report: Report): void {
    const { ms } = report;
    const last = this.#reports.at(-1);
    if (last !== undefined && report.dm > last.dm) {
      // From a standstill the pace begins with the first stroke, not with the sitting before it.
      if (ms - this.#lastMoveMs > STANDSTILL_MS) this.#marks = marked([], { heard_ms: last.ms, distance_dm: last.dm });
      this.#lastMoveMs = ms;
    }
    this.#reports.push(report);
    if (this.#reports.length > REPORTS_MAX) this.#reports.shift();
    this.#marks = marked(this.#marks, { heard_ms: ms, distance_dm: report.dm });
  }

  get last(): Report | null {
    return this.#reports.at(-1) ?? null;
  }

  /** Where the machine stood at an instant, on the straight line between two reports; null before the first. */
  at(deviceMs: number): { readonly dm: number; readonly strokes: number | null } | null {
    const ms = deviceMs * this.#speed;
    const after = this.#after(ms);
    const [a, b] = [this.#reports[after - 1], this.#reports[after]];
    if (a === undefined) return b === undefined ? null : { dm: b.dm, strokes: b.strokes };
    if (b === undefined) return { dm: a.dm, strokes: a.strokes };
    const share = (ms - a.ms) / (b.ms - a.ms);
    return { dm: a.dm + share * (b.dm - a.dm), strokes: a.strokes };
  }

  /** Decimetres since an instant; 0 before the machine said anything. */
  dmSince(ms: number): number {
    const [then, now] = [this.at(ms), this.last];
    return then === null || now === null ? 0 : Math.max(0, Math.round(now.dm - then.dm));
  }

  /** Own strokes since an instant; null when the machine counts none. */
  strokesSince(ms: number): number | null {
    const [then, now] = [this.at(ms), this.last];
    if (now === null) return 0;
    return then?.strokes == null || now.strokes === null ? null : Math.max(0, now.strokes - then.strokes);
  }

  /** When this many own strokes since an instant were made; null before, or when the machine counts none. */
  strokesDoneMs(sinceMs: number, strokes: number): number | null {
    const then = this.at(sinceMs)?.strokes ?? null;
    if (then === null) return null;
    for (let nth = this.#after(sinceMs * this.#speed); nth < this.#reports.length; nth += 1) {
      const report = this.#reports[nth];
      if (report?.strokes != null && report.strokes - then >= strokes) return report.ms / this.#speed;
    }
    return null;
  }

  /** Whether the handle has moved lately. */
  isRowing(nowMs: number): boolean {
    return nowMs * this.#speed - this.#lastMoveMs < STILL_MS;
  }

  /** Pace of the stretch just rowed, milliseconds of the session per 500 m; null while nobody rows. */
  pace(nowMs: number): number | null {
    return this.isRowing(nowMs) ? pace(this.#marks) : null;
  }

  /** Whole strokes a minute, as the machine says; null when it has not said so lately. */
  rate(nowMs: number): number | null {
    const { last } = this;
    if (last?.rate_half_spm == null || last.rate_half_spm === 0 || nowMs - last.ms / this.#speed > RATE_FRESH_MS) return null;
    return Math.round(last.rate_half_spm / 2);
  }

  /** Index of the first report after an instant. */
  #after(ms: number): number {
    let [low, high] = [0, this.#reports.length];
    while (low < high) {
      const middle = (low + high) >> 1;
      if ((this.#reports[middle]?.ms ?? Infinity) <= ms) low = middle + 1;
      else high = middle;
    }
    return low;
  }
}
