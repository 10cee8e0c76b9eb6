// The machine's counters, joined across resets and jumps into ones that never run back.
//
// The rule is the server's (`server/piece/src/recording/odometer.rs`), so that the athlete's own numbers are the ones
// that count. `protocol/cases/odometer.json` holds both to it.
import { LIMITS } from '../../generated/known';

/** What the machine said at one instant of this device's clock. */
export interface Report {
  readonly ms: number;
  readonly distance_dm: number;
  readonly elapsed_ms?: number | null | undefined;
  readonly strokes?: number | null | undefined;
}

/** A report with its counters joined. */
export interface Joined<R extends Report> {
  readonly report: R;
  /** When it was heard; never before the one it follows. */
  readonly ms: number;
  readonly dm: number;
  /** Null when the machine does not count them. */
  readonly strokes: number | null;
}

/** Speeds are judged over at least this long: whole metres four times a second look impossibly fast over less. */
const SPEED_OVER_MS = 1_500;
/** A counter that falls by no more than this was rounded by the machine, not reset. */
const JITTER_DM = 20;
/** This many reports in a row that are impossible only against the one before them mean that the counter has jumped. */
const JUMP_AFTER = 3;
/** Nobody rows faster. */
const SPEED_MAX_DM_A_MS = LIMITS.speed_max_dm_a_second / 1_000;
/** Slack for the clock of a machine that began at zero after the last report. */
const FROM_ZERO_SLACK_MS = 2_000;
/** A counter that falls again within this time is jittering: nobody resets a machine twice so soon. */
const FALLS_APART_MS = 10_000;
/** Sixteen-bit counters start again after these, in decimetres and in metres. */
const TOPS_DM = [2 ** 16, 10 * 2 ** 16] as const;
/** At most this many points are looked back over to judge a speed: more than a device may record at once. */
const NEAR = 512;
/** The longest delay of a report that is believed: how far the machine's clock may run ahead of this one, in all. */
const LATE_MS = 2_000;

interface Point {
  readonly ms: number;
  readonly dm: number;
  readonly machineMs: number | null;
  readonly joined: boolean;
}

export class Odometer<R extends Report> {
  #last: R | null = null;
  /** What has to be added to the machine's own distance. */
  #offsetDm = 0;
  /** When the counter last fell by more than a rounding. */
  #fellMs: number | null = null;
  /** Before a fall that was taken for a reset although no clock says so: when, how far, and what was added until then. */
  #beforeFall: { readonly ms: number; readonly distanceDm: number; readonly offsetDm: number } | null = null;
  #strokes: number | null = null;
  /** How far the machine's clock was behind this device's when it was first heard, or last joined. */
  #behindMs: number | null = null;
  #near: Point[] = [];
  /** Impossible against what came before, possible among themselves. */
  #suspects: R[] = [];

  /** Takes the next report; returns the reports that count from now on: none if it is impossible, several after a jump. */
  take(report: R): readonly Joined<R>[] {
    const joined = this.#step(report, false);
    if (joined !== null) return [joined];
    const newest = this.#suspects.at(-1);
    if (newest === undefined || !agree(newest, report)) this.#suspects = [];
    this.#suspects.push(report);
    if (this.#suspects.length < JUMP_AFTER) return [];
    const [first, ...since] = this.#suspects;
    const jumped = first === undefined ? null : this.#step(first, true);
    return [...(jumped === null ? [] : [jumped]), ...since.flatMap((suspect) => this.take(suspect))];
  }

  /** Null when the report is further than anybody rows, or further back than a reset explains. */
  #step(report: R, jumped: boolean): Joined<R> | null {
    const last = this.#last;
    if (last === null) {
      this.#strokes = report.strokes ?? null;
      return this.#counts(report, report, report.distance_dm, false);
    }
    // A clock that was set again must not make a later stroke earlier.
    const ms = Math.max(report.ms, last.ms);
    const top = jumped ? null : topBetween(last, report, ms - last.ms);
    const fell = top === null ? Math.max(0, last.distance_dm - report.distance_dm) : 0;
    const clockFell = last.elapsed_ms != null && report.elapsed_ms != null && report.elapsed_ms < last.elapsed_ms;
    const byClock = clockFromZero(report, ms - last.ms);
    const trembles = fell > JITTER_DM && this.#fallsAgain(ms);
    const reset = beganAtZero(report, ms - last.ms) && (fell > JITTER_DM || (clockFell && fell > 0)) && (!trembles || byClock);
    // A report that was held up, or a counter that jitters. A counter that has jumped for good is joined up soon.
    if (fell > JITTER_DM && !reset && !jumped) return null;
    const joined = reset || jumped;
    const offsetBefore = this.#offsetDm;
    const back = joined ? null : this.#noResetAfterAll(report, ms);
    if (back !== null) [this.#offsetDm, this.#beforeFall] = [back, null];
    if (joined) this.#beforeFall = byClock || jumped ? null : { ms: last.ms, distanceDm: last.distance_dm, offsetDm: offsetBefore };
    if (joined) this.#offsetDm = last.distance_dm + this.#offsetDm - countsFrom(last, report, ms - last.ms, jumped);
    this.#offsetDm += top ?? 0;
    const shown = !joined && fell > 0 ? last.distance_dm : report.distance_dm;
    const soFar = this.#near.at(-1)?.dm ?? 0;
    // What was rowed while the counter showed less comes all at once; that it can have been rowed is known already.
    if (back === null && this.#tooFast(report, ms, Math.max(0, shown + this.#offsetDm))) {
      if (!joined) {
        this.#offsetDm = offsetBefore;
        return null;
      }
      // The new counter is impossible even from zero: count from this report on.
      this.#offsetDm = soFar - shown;
    }
    this.#suspects = [];
    this.#strokes = this.#strokesAt(last, report, reset);
    return this.#counts(report, { ...report, ms, distance_dm: shown }, Math.max(0, shown + this.#offsetDm, soFar), joined || back !== null || top !== null);
  }

  /** Whether the counter had already fallen a short while ago; notes this fall. */
  #fallsAgain(ms: number): boolean {
    const before = this.#fellMs;
    this.#fellMs = ms;
    return before !== null && ms - before < FALLS_APART_MS;
  }

  /** What was added before the last fall, if the counter is back sooner than anybody could row there from zero; otherwise null. */
  #noResetAfterAll({ distance_dm }: R, ms: number): number | null {
    const before = this.#beforeFall;
    if (before === null) return null;
    const mostDm = SPEED_MAX_DM_A_MS * (ms - before.ms);
    const isBack = distance_dm + JITTER_DM >= before.distanceDm && distance_dm - before.distanceDm <= mostDm;
    return isBack && distance_dm > mostDm ? before.offsetDm : null;
  }

  #counts(report: R, last: R, dm: number, joined: boolean): Joined<R> {
    // The stroke count goes on from the newest one reported.
    this.#last = { ...last, strokes: last.strokes ?? this.#last?.strokes ?? null };
    if (joined || this.#behindMs === null) this.#behindMs = behind(report, last.ms);
    this.#near = [...this.#near.slice(1 - NEAR), { ms: last.ms, dm, machineMs: report.elapsed_ms ?? null, joined }];
    return { report, ms: last.ms, dm, strokes: report.strokes == null ? null : this.#strokes };
  }

  #strokesAt(last: R, report: R, reset: boolean): number | null {
    const [before, now] = [last.strokes ?? null, report.strokes ?? null];
    if (now === null || this.#strokes === null || before === null) return this.#strokes ?? now;
    // A metre counter that falls while the machine's clock runs on was nonsense, not a reset.
    const runsOn = last.elapsed_ms != null && report.elapsed_ms != null && last.elapsed_ms <= report.elapsed_ms;
    return this.#strokes + ((!reset || runsOn) && now >= before ? now - before : now);
  }

  /** Whether `dm` is further than anybody rows since the newest point at least SPEED_OVER_MS before, or since the oldest one near. */
  #tooFast(report: R, ms: number, dm: number): boolean {
    const behindMs = behind(report, ms);
    // The machine's own clock is free of the radio's delays, and of nothing else: it does not run faster than this one.
    const isClock = behindMs !== null && this.#behindMs !== null && behindMs >= this.#behindMs - LATE_MS;
    const since = (point: Point): number => {
      const byEar = Math.max(0, ms - point.ms);
      const now = report.elapsed_ms ?? null;
      // It may stand still while nobody rows, and then the time of hearing is the better guide.
      const byMachine = isClock && now !== null && point.machineMs !== null && !point.joined ? now - point.machineMs : 0;
      return Math.max(byEar, byMachine);
    };
    // Before a joint nothing was heard of what comes after it.
    const near = this.#near.slice(Math.max(0, this.#near.findLastIndex((point) => point.joined)));
    const reference = near.findLast((point) => since(point) >= SPEED_OVER_MS) ?? near[0];
    if (reference === undefined) return false;
    return Math.max(0, dm - reference.dm) > SPEED_MAX_DM_A_MS * Math.max(since(reference), SPEED_OVER_MS);
  }
}

/**
 * How much of the new counter was there already when it was joined: nothing, if by its own clock the machine has begun at
 * zero since, or if that clock has run on and so shows that it is the same machine.
 */
function countsFrom(last: Report, report: Report, gapMs: number, jumped: boolean): number {
  return jumped || !(clockFromZero(report, gapMs) || clockRanOn(last, report, gapMs)) ? report.distance_dm : 0;
}

/** Whether the machine's own clock ran on between these two reports, as far as this device's did. */
function clockRanOn(last: Report, report: Report, gapMs: number): boolean {
  if (last.elapsed_ms == null || report.elapsed_ms == null || report.elapsed_ms < last.elapsed_ms) return false;
  return Math.abs(report.elapsed_ms - last.elapsed_ms - gapMs) <= FROM_ZERO_SLACK_MS;
}

/** The value after which a sixteen-bit counter has started again between these two reports, if one has, and went no further than anybody rows; otherwise null. */
function topBetween(last: Report, report: Report, gapMs: number): number | null {
  if (report.distance_dm >= last.distance_dm) return null;
  const mostDm = SPEED_MAX_DM_A_MS * Math.max(gapMs, SPEED_OVER_MS);
  return TOPS_DM.find((top) => top > last.distance_dm && top - last.distance_dm + report.distance_dm <= mostDm) ?? null;
}

/** Whether the machine can have begun at zero within this time: by its own clock, or because nobody rows further than what it shows. */
function beganAtZero(report: Report, gapMs: number): boolean {
  return clockFromZero(report, gapMs) || report.distance_dm <= SPEED_MAX_DM_A_MS * (gapMs + FROM_ZERO_SLACK_MS);
}

/** Whether the machine's own clock says that it began at zero within this time. */
function clockFromZero({ elapsed_ms }: Report, gapMs: number): boolean {
  return elapsed_ms != null && elapsed_ms <= gapMs + FROM_ZERO_SLACK_MS;
}

/** How far the machine's clock is behind this device's; null without one. */
function behind({ elapsed_ms }: Report, ms: number): number | null {
  return elapsed_ms == null ? null : ms - elapsed_ms;
}

/** Whether two reports are possible one after the other. */
function agree(before: Report, after: Report): boolean {
  const gained = after.distance_dm - before.distance_dm;
  return gained >= 0 && gained <= SPEED_MAX_DM_A_MS * Math.max(after.ms - before.ms, SPEED_OVER_MS);
}
