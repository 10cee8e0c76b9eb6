// An athlete's recording: numbered and dated, kept on this device, and sent until it is durable.
import { Thin } from '../machine/thin';
import type { RunId, Sample, ServerMsg } from '../protocol/decode';
import { Kept } from './kept';
import type { Link, News } from './socket';
import type { Said, Shelved, Store, Waiting } from './store';
import type { World } from './world';

/** How often to look whether anything has to be sent again. */
const LOOK_EVERY_MS = 250;
/** Machine reports waiting for the session's clock: an hour of two a second. */
const UNDATED_MAX = 7_200;
/** About as long as a stroke takes. */
const A_STROKE_MS = 2_000;

export class Recorder {
  readonly #kept: Kept;
  readonly #store: Store;
  readonly #world: World;
  #link: Link | null = null;
  #undated: Waiting[];
  #lastNth: number;
  #dated = false;
  readonly #thin = new Thin();
  #serverLost = false;
  #callOff: () => void = () => undefined;

  private constructor(run: RunId, { samples, waiting }: Shelved, store: Store, world: World) {
    this.#kept = new Kept(run, samples);
    this.#undated = [...waiting];
    this.#lastNth = waiting.at(-1)?.nth ?? 0;
    this.#store = store;
    this.#world = world;
  }

  /** Resumes the recording with this name, with what this device has kept of it. */
  static async open(run: RunId, store: Store, world: World): Promise<Recorder> {
    return new Recorder(run, await store.load(run), store, world);
  }

  get run(): RunId {
    return this.#kept.run;
  }

  /** How many samples are not known to be durable. */
  get pending(): number {
    return this.#kept.pending + this.#undated.length;
  }

  /** Whether the server had lost what it had acknowledged: all of it is sent again. */
  get serverLost(): boolean {
    return this.#serverLost;
  }

  /**
   * Everything that this device has, in order. Reports waiting for the session's clock come last, a stroke later:
   * nobody knows how long the page was away.
   */
  get samples(): readonly Sample[] {
    const { samples, lastSeq } = this.#kept;
    const lastMs = samples.at(-1)?.heard_ms ?? 0;
    const firstMs = this.#undated[0]?.wall_ms ?? 0;
    const waiting = this.#undated.map(({ said, wall_ms }, nth) => ({
      ...said,
      seq: lastSeq + 1 + nth,
      heard_ms: lastMs + A_STROKE_MS + Math.max(0, wall_ms - firstMs),
    }));
    return [...samples, ...waiting];
  }

  /** Sends over this link from now on; hand its news to `hear`. */
  over(link: Link): void {
    this.#link = link;
    this.#look();
  }

  /** Records what the machine has just said. Before the session's clock is known, it waits to be dated. */
  record(said: Said): void {
    if (!this.#thin.lets(this.#world.now())) return;
    if (this.#dated) this.#keep(said, this.#world.now(), null);
    else if (this.#undated.length < UNDATED_MAX) this.#wait(said);
    this.#send();
  }

  /** Takes in what the link tells. */
  hear(news: News): void {
    if (news.news === 'welcome') {
      const { resumed, behind } = this.#kept.welcomed(news.msg.epoch, news.msg.durable);
      if (resumed === 'all_again' && behind > 0) this.#serverLost = true;
      this.#dated = true;
      this.#dateAll();
      this.#send();
    } else if (news.news === 'said') {
      this.#acknowledge(news.msg);
    } else if (news.news === 'lost') {
      this.#kept.unsent();
    }
  }

  /** The results up to this instant of the session are final. */
  forget(throughMs: number): void {
    const gone = this.#kept.forget(throughMs);
    this.#serverLost = false;
    if (gone > 0) this.#store.forget(this.#kept.run, gone);
  }

  /** Nothing is sent any more. */
  stop(): void {
    this.#callOff();
    this.#link = null;
  }

  #acknowledge(msg: ServerMsg): void {
    if (msg.type !== 'ack') return;
    this.#kept.acknowledged(msg.durable, this.#world.now());
    this.#send();
  }

  #wait(said: Said): void {
    this.#lastNth += 1;
    const report = { nth: this.#lastNth, wall_ms: this.#world.wall(), said };
    this.#undated.push(report);
    this.#store.wait(this.#kept.run, report);
  }

  /**
   * What came before the clock was known is dated backwards, including that of an earlier page. A wall clock that was
   * set in the meantime must not put one before the other, nor into the future.
   */
  #dateAll(): void {
    const [nowMs, wallMs] = [this.#world.now(), this.#world.wall()];
    let pastMs = -Infinity;
    for (const { nth, said, wall_ms } of this.#undated.splice(0)) {
      pastMs = Math.min(nowMs, Math.max(pastMs, nowMs - (wallMs - wall_ms)));
      this.#keep(said, pastMs, nth);
    }
  }

  #keep(said: Said, deviceMs: number, waited: number | null): void {
    const heardMs = this.#link?.at(deviceMs) ?? null;
    // After the first welcome the clock is known for good.
    if (heardMs === null) return this.#wait(said);
    this.#store.add(this.#kept.run, this.#kept.record({ ...said, heard_ms: Math.max(0, Math.round(heardMs)) }), waited);
  }

  #send(): void {
    const link = this.#link;
    const nowMs = link?.now() ?? null;
    if (link === null || nowMs === null) return;
    const pastMs = nowMs - (link.bound() ?? 0);
    for (let next = this.#kept.next(pastMs, this.#world.now()); next !== null; next = this.#kept.next(pastMs, this.#world.now())) {
      if (!link.say(next)) {
        this.#kept.unsent();
        return;
      }
    }
  }

  #look(): void {
    this.#send();
    this.#callOff = this.#world.later(LOOK_EVERY_MS, () => this.#look());
  }
}
