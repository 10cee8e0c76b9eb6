// Every sample of an athlete, kept until its result is final: what to send, and what to send again.
//
// Pure: the caller says what time it is. The server's word on what is durable moves a mark and drops nothing, so a
// server that lost its disk can be refilled from here.
import { LIMITS } from '../../generated/known';
import type { ClientSamples, ClientSkip, Durable, RunId, Sample } from '../protocol/decode';

/** Most samples in one message. */
const BATCH_MAX = LIMITS.samples_max;
/** Most samples on their way; a back-fill goes no faster than it becomes durable. */
const UNDERWAY_MAX = LIMITS.underway_max;
/** Without progress for this long, what is not acknowledged is sent again. */
const RESEND_AFTER_MS = 1_500;

/** How a connection resumed the recording. */
export type Resumed =
  /** After what the server has. */
  | { readonly resumed: 'goes_on'; readonly behind: number }
  /** The server has less than it had acknowledged, or another journal: everything is sent again. */
  | { readonly resumed: 'all_again'; readonly behind: number };

export class Kept {
  readonly run: RunId;
  /** In order of their number; the first is `#forgotten + 1`. */
  #samples: Sample[];
  #forgotten: number;
  #acked = 0;
  #beyond: readonly (readonly number[])[] = [];
  #sent = 0;
  #movedMs = 0;
  #epoch: string | null = null;

  /** A recording, with what was kept of it before the page was reloaded, in any order. */
  constructor(run: RunId, before: readonly Sample[] = []) {
    this.run = run;
    this.#samples = [...before].sort((a, b) => a.seq - b.seq);
    this.#forgotten = (this.#samples[0]?.seq ?? 1) - 1;
  }

  /** Number of the last sample. */
  get lastSeq(): number {
    return this.#samples.at(-1)?.seq ?? this.#forgotten;
  }

  /** Everything that is kept here, durable or not. */
  get samples(): readonly Sample[] {
    return this.#samples;
  }

  /** How many samples are not known to be durable. */
  get pending(): number {
    return Math.max(0, this.lastSeq - this.#acked);
  }

  /** Records a sample under the next number. */
  record(said: Omit<Sample, 'seq'>): Sample {
    const sample = { ...said, seq: this.lastSeq + 1 };
    this.#samples.push(sample);
    return sample;
  }

  /** The server has answered `hello`. */
  welcomed(epoch: string, durable: Durable | null): Resumed {
    const own = durable?.run === this.run ? durable : null;
    const through = own?.through_seq ?? 0;
    const otherJournal = this.#epoch !== null && this.#epoch !== epoch;
    this.#epoch = epoch;
    if (otherJournal || through < this.#acked) {
      // What it still has is acknowledged at once; there is no need to guess what is missing.
      this.#acked = this.#sent = 0;
      this.#beyond = [];
      return { resumed: 'all_again', behind: this.lastSeq };
    }
    // The server may know more than this browser has kept: the numbers go on after that.
    if (through > this.lastSeq) {
      this.#samples = [];
      this.#forgotten = through;
    }
    this.#acked = this.#sent = through;
    this.#beyond = own?.beyond ?? [];
    return { resumed: 'goes_on', behind: this.pending };
  }

  /** The server has said how far the recording is durable; older word of it changes nothing. */
  acknowledged(durable: Durable, nowMs: number): void {
    if (durable.run !== this.run || durable.through_seq < this.#acked) return;
    const through = Math.min(durable.through_seq, this.lastSeq);
    if (through > this.#acked || JSON.stringify(durable.beyond) !== JSON.stringify(this.#beyond)) this.#movedMs = nowMs;
    this.#acked = through;
    this.#beyond = durable.beyond;
    this.#sent = Math.max(this.#sent, through);
  }

  /**
   * What to send now, oldest first: samples whose instant has certainly come on the server (`pastMs`); new ones at
   * once, unacknowledged ones again after a while without progress.
   */
  next(pastMs: number, nowMs: number): ClientSamples | ClientSkip | null {
    if (this.#sent > this.#acked && nowMs - this.#movedMs >= RESEND_AFTER_MS) this.#sent = this.#acked;
    if (this.#sent < this.#forgotten) {
      const skip = { type: 'skip', run: this.run, from_seq: this.#sent + 1, to_seq: this.#forgotten } as const;
      this.#sending(this.#forgotten, nowMs);
      return skip;
    }
    const room = Math.min(BATCH_MAX, this.#acked + UNDERWAY_MAX - this.#sent);
    const from = this.#sent - this.#forgotten;
    const samples: Sample[] = [];
    let through = this.#sent;
    for (let at = from; samples.length < room; at += 1) {
      const sample = this.#samples[at];
      if (sample === undefined || sample.heard_ms > pastMs) break;
      through = sample.seq;
      const isDurable = this.#beyond.some(([first = 0, last = 0]) => sample.seq >= first && sample.seq <= last);
      if (!isDurable) samples.push(sample);
    }
    if (through > this.#sent) this.#sending(through, nowMs);
    return samples.length === 0 ? null : { type: 'samples', run: this.run, samples };
  }

  /** The connection is gone: what was on its way is sent again on the next one. */
  unsent(): void {
    this.#sent = this.#acked;
  }

  /** The results up to this instant are final: what is durable of that is no longer kept. Returns the last number that is gone. */
  forget(throughMs: number): number {
    const stays = this.#samples.findIndex((sample) => sample.heard_ms > throughMs || sample.seq > this.#acked);
    const gone = this.#samples.splice(0, stays === -1 ? this.#samples.length : stays);
    this.#forgotten = gone.at(-1)?.seq ?? this.#forgotten;
    return this.#forgotten;
  }

  #sending(through: number, nowMs: number): void {
    if (this.#sent <= this.#acked) this.#movedMs = nowMs;
    this.#sent = through;
  }
}
