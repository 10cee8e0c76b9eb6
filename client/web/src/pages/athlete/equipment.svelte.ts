// What is linked to this page: a machine or a demo rower, and a strap if wanted.
import { athlete as texts } from '#texts';
import type { RunId } from '../../protocol/decode';
import { USUAL, demo, type Demo } from '../../machine/demo';
import { unlinked, type Kind, type State } from '../../machine/link';
import { absence, browser, linking, type HeardBeat, type HeardSample, type Linking } from '../../machine/radio';

/** Who is told; instants on this device's own clock. */
export interface Told {
  sample(sample: HeardSample): void;
  beat(beat: HeardBeat, from: Kind): void;
  changed(): void;
}

/** A demo rower sits on this page: it does so again when the page is reloaded, but only for the same recording. */
const SEATED = 'thole demo rower';

export class Equipment {
  #machine: State = $state.raw(unlinked('rower', absence(browser())));
  #strap: State = $state.raw(unlinked('strap', absence(browser())));
  #demoRows = $state.raw<Demo | null>(null);
  #rower: Linking;
  #belt: Linking;
  readonly #told: Told;
  #seated = SEATED;

  constructor(told: Told) {
    this.#told = told;
    this.#rower = this.#linking('rower', (state) => (this.#machine = state));
    this.#belt = this.#linking('strap', (state) => (this.#strap = state));
  }

  /** Whose strokes these are from now on. */
  recordsAs(run: RunId): void {
    this.#seated = `${SEATED} ${run}`;
  }

  get machine(): State {
    return this.#machine;
  }

  get strap(): State {
    return this.#strap;
  }

  get isDemo(): boolean {
    return this.#demoRows !== null;
  }

  /** What the coach reads as the athlete's machine; null while none is linked. */
  get name(): string | null {
    if (this.isDemo) return texts.demoMachine;
    const { link } = this.#machine;
    if (link.is !== 'linked' && link.is !== 'lost') return null;
    return link.name === '' ? texts.someMachine : link.name;
  }

  /** Whether anything is coming from it. */
  get reports(): boolean {
    return this.isDemo || (this.#machine.link.is === 'linked' && this.#machine.link.heard === 'enough');
  }

  /** Only on a tap: the browser asks which one. */
  ask(kind: Kind): void {
    if (kind === 'rower') this.#leaveDemo();
    this.#of(kind).ask();
  }

  release(kind: Kind): void {
    if (kind === 'rower') this.#leaveDemo();
    this.#of(kind).release();
    this.#told.changed();
  }

  /** A demo rower takes the seat; it says everywhere that it is one. It rows as fast as the session runs. */
  seatDemo(speed: number): void {
    this.#rower.release();
    sessionStorage.setItem(this.#seated, 'yes');
    const around = { ...browser(), onSession: (ms: number) => ms, sample: (sample: HeardSample) => this.#told.sample(sample) };
    this.#demoRows ??= demo(around, { ...USUAL, seed: Math.floor(Math.random() * 2 ** 32) }, speed);
    this.#told.changed();
  }

  /** A demo rower sat here before this page was reloaded. */
  get seatedBefore(): boolean {
    return this.#demoRows === null && sessionStorage.getItem(this.#seated) !== null;
  }

  /** From now on the demo rower rows at this pace, milliseconds per 500 m; null: at its own. */
  demoAims(per500mMs: number | null): void {
    this.#demoRows?.aim(per500mMs ?? USUAL.per_500m_ms);
  }

  /** From now on the demo rower rows, or sits still. */
  demoRows(rows: boolean): void {
    this.#demoRows?.row(rows);
  }

  /** Everything is let go. */
  leave(): void {
    this.#leaveDemo();
    this.#rower.release();
    this.#belt.release();
  }

  #leaveDemo(): void {
    sessionStorage.removeItem(this.#seated);
    this.#demoRows?.leave();
    this.#demoRows = null;
  }

  #of(kind: Kind): Linking {
    return kind === 'rower' ? this.#rower : this.#belt;
  }

  #linking(kind: Kind, keep: (state: State) => void): Linking {
    return linking(kind, {
      ...browser(),
      // On this device's own clock: the recorder, which is asked at once, puts it on the session's.
      onSession: (ms) => ms,
      changed: (state) => {
        keep(state);
        this.#told.changed();
      },
      sample: (sample) => this.#told.sample(sample),
      beat: (beat) => this.#told.beat(beat, kind),
    });
  }
}
