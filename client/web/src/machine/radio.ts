// Web Bluetooth, as far as this page uses it: does what `link.ts` says and reports what happened.

import type { Said } from './counters';
import { ROWER_DATA, ROWER_SERVICE } from './ftms';
import { STRAP_DATA, STRAP_SERVICE } from './heart';
import { next, unlinked, type Absence, type Failure, type Happening, type Kind, type State, type Todo } from './link';

/** The part of Web Bluetooth that is used here; the browser's own objects fit, and so do a test's. */
export interface Bluetooth {
  getAvailability(): Promise<boolean>;
  requestDevice(wish: { filters: { services: number[] }[]; optionalServices?: number[] }): Promise<Device>;
}
export interface Device extends EventTarget {
  readonly name?: string | undefined;
  readonly gatt?: Server | undefined;
}
export interface Server {
  readonly connected: boolean;
  connect(): Promise<Server>;
  disconnect(): void;
  getPrimaryService(service: number): Promise<Service>;
}
export interface Service {
  getCharacteristic(characteristic: number): Promise<Characteristic>;
}
export interface Characteristic extends EventTarget {
  readonly value?: DataView | undefined;
  startNotifications(): Promise<Characteristic>;
}

declare global {
  interface Navigator {
    /** Absent on plain HTTP, and in browsers that have no Web Bluetooth. */
    readonly bluetooth?: Bluetooth;
  }
}

/** A sample of the protocol, except for its number: the recording gives it. */
export interface HeardSample extends Said {
  readonly heard_ms: number;
}
/** A heart rate of the protocol. */
export interface HeardBeat {
  readonly heard_ms: number;
  readonly heart_bpm: number;
}

/** What a link needs from the world, and whom it tells. */
export interface Surroundings {
  readonly bluetooth: Bluetooth | undefined;
  readonly secure: boolean;
  /** This device's own clock: milliseconds that never run back. */
  now(): number;
  /** Does something later; the returned function cancels it. */
  later(ms: number, what: () => void): () => void;
  /** An instant of this device's own clock on the session's; null until the server's clock is known. */
  onSession(ownMs: number): number | null;
  changed(state: State): void;
  sample(sample: HeardSample): void;
  beat(beat: HeardBeat): void;
}

/** What the athlete can do with a link. */
export interface Linking {
  state(): State;
  /** Asks which machine: only in response to a tap, or the browser refuses. */
  ask(): void;
  /** Lets the machine go; it does not come back by itself. */
  release(): void;
}

/** An attempt that has not finished by then has failed. */
const TRY_MS = 10_000;
const TICK_MS = 1_000;
/** What is heard before the session's clock is known waits, up to ten minutes at one a second; beyond that the oldest goes. */
const UNSTAMPED_MAX = 600;

const SPEAKS = {
  rower: { service: ROWER_SERVICE, data: ROWER_DATA },
  strap: { service: STRAP_SERVICE, data: STRAP_DATA },
} as const;

/** What this browser's page can use; all of it can be replaced. */
export function browser(): Pick<Surroundings, 'bluetooth' | 'secure' | 'now' | 'later'> {
  return {
    bluetooth: globalThis.navigator.bluetooth,
    secure: globalThis.isSecureContext,
    now: () => performance.now(),
    later: (ms, what) => {
      const timer = setTimeout(what, ms);
      return () => clearTimeout(timer);
    },
  };
}

/** Why this page can have no link; null when it can. */
export function absence({ bluetooth, secure }: Pick<Surroundings, 'bluetooth' | 'secure'>): Absence | null {
  if (!secure) return 'insecure';
  return bluetooth === undefined ? 'no_web_bluetooth' : null;
}

/** A link, not made yet. */
export function linking(kind: Kind, around: Surroundings): Linking {
  let state = unlinked(kind, absence(around));
  let device: Device | null = null;
  let stopWaiting = () => {};
  let stopTicking = () => {};
  const unstamped: { readonly own_ms: number; readonly tell: (heard_ms: number) => void }[] = [];

  const happen = (happening: Happening): void => {
    const before = state;
    const { state: after, todo } = next(state, happening);
    state = after;
    if (after.link !== before.link) around.changed(after);
    todo.forEach(act);
    watch();
  };

  const act = (todo: Todo): void => {
    switch (todo.todo) {
      case 'choose':
        void choose(todo.attempt);
        return;
      case 'open':
        void open(todo.attempt);
        return;
      case 'close':
        device?.gatt?.disconnect();
        return;
      case 'wait':
        stopWaiting();
        stopWaiting = around.later(todo.ms, () => happen({ type: 'waited', attempt: todo.attempt }));
        return;
      case 'record':
        stamp(todo.heard_ms, (heard_ms) => around.sample({ ...todo.said, heard_ms }));
        return;
      case 'beat':
        stamp(todo.heard_ms, (heard_ms) => around.beat({ heart_bpm: todo.heart_bpm, heard_ms }));
        return;
      default:
        todo satisfies never;
    }
  };

  const choose = async (attempt: number): Promise<void> => {
    const { bluetooth } = around;
    if (bluetooth === undefined) return happen({ type: 'not_chosen', attempt, why: 'blocked' });
    try {
      const chosen = await bluetooth.requestDevice({ filters: [{ services: [SPEAKS[kind].service] }] });
      if (state.link.is !== 'choosing' || state.link.attempt !== attempt) return;
      if (chosen !== device) chosen.addEventListener('gattserverdisconnected', () => lost(chosen));
      device = chosen;
      happen({ type: 'chosen', attempt, name: chosen.name ?? '' });
    } catch (error) {
      happen({ type: 'not_chosen', attempt, why: await whyNotChosen(bluetooth, error) });
    }
  };

  /** Only when it is truly gone: our own `disconnect` before a new attempt reports the same. */
  const lost = (from: Device): void => {
    if (from !== device || from.gatt?.connected || state.link.is !== 'linked') return;
    happen({ type: 'dropped', attempt: state.link.attempt });
  };

  const open = async (attempt: number): Promise<void> => {
    let giveUp = () => {};
    const late = new Promise<Failure>((resolve) => {
      giveUp = around.later(TRY_MS, () => resolve('no_answer'));
    });
    const why = await Promise.race([connected(attempt), late]);
    giveUp();
    happen(why === null ? { type: 'opened', attempt } : { type: 'not_opened', attempt, why });
    // It may have gone between the last answer and this point, when nobody was listening for that yet.
    if (why === null && device !== null) lost(device);
  };

  /** Everything below the device dies with a link and is asked for again; null when values come. */
  const connected = async (attempt: number): Promise<Failure | null> => {
    const gatt = device?.gatt;
    if (gatt === undefined) return 'refused';
    let step: Step = 'connect';
    try {
      const server = await gatt.connect();
      step = 'find';
      const service = await server.getPrimaryService(SPEAKS[kind].service);
      const data = await service.getCharacteristic(SPEAKS[kind].data);
      data.addEventListener('characteristicvaluechanged', () => {
        if (data.value) happen({ type: 'value', attempt, value: data.value, heard_ms: around.now() });
      });
      step = 'subscribe';
      await data.startNotifications();
      return null;
    } catch (error) {
      return whyNotOpened(step, nameOf(error));
    }
  };

  /** Puts it on the session's clock, or keeps it until that is known. */
  const stamp = (own_ms: number, tell: (heard_ms: number) => void): void => {
    if (unstamped.length === UNSTAMPED_MAX) unstamped.shift();
    unstamped.push({ own_ms, tell });
    flush();
  };

  const flush = (): void => {
    for (let oldest = unstamped[0]; oldest !== undefined; oldest = unstamped[0]) {
      const heard_ms = around.onSession(oldest.own_ms);
      if (heard_ms === null) return;
      unstamped.shift();
      oldest.tell(Math.round(heard_ms));
    }
  };

  const watch = (): void => {
    stopTicking();
    stopTicking = state.link.is === 'linked' || unstamped.length > 0 ? around.later(TICK_MS, tick) : () => {};
  };

  const tick = (): void => {
    flush();
    happen({ type: 'tick', at_ms: around.now() });
  };

  return {
    state: () => state,
    ask: () => happen({ type: 'asked' }),
    release: () => {
      stopWaiting();
      happen({ type: 'released' });
    },
  };
}

type Step = 'connect' | 'find' | 'subscribe';

/** A closed list and a missing adapter come as errors of the same name; whether there is an adapter can be asked. */
async function whyNotChosen(bluetooth: Bluetooth, error: unknown): Promise<Failure> {
  if (nameOf(error) !== 'NotFoundError') return 'blocked';
  const available = await bluetooth.getAvailability().catch(() => false);
  return available ? 'cancelled' : 'no_adapter';
}

/** What a failed step means for people; the browsers' texts differ, the names and steps do not. */
export function whyNotOpened(step: Step, error: string): Failure {
  if (error === 'NetworkError' || step === 'connect') return 'no_answer';
  return step === 'find' && error === 'NotFoundError' ? 'wrong_machine' : 'refused';
}

function nameOf(error: unknown): string {
  return error instanceof Error || error instanceof DOMException ? error.name : '';
}
