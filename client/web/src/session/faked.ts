// A world for tests: a socket whose other end is the test, and time that moves when it is told to.
import { readFileSync } from 'node:fs';
import type { ClientMsg, ServerMsg, ServerWelcome } from '../protocol/decode';
import { decode, restored } from '../protocol/decode';
import type { Ear, World } from './world';

interface Timer {
  readonly at: number;
  readonly then: () => void;
}

export class FakedWorld implements World {
  #nowMs = 0;
  readonly #openedAtMs: number;
  #timers = new Set<Timer>();
  #ear: Ear | null = null;
  /** The next random numbers, from 0 up to 1; after those, always one half. */
  chances: number[] = [];
  /** What was said since the last `heard`. */
  #said: string[] = [];
  /** How often a connection was opened. */
  opened = 0;

  /** A page that is opened at this time on the wall clock. */
  constructor(openedAtMs = 0) {
    this.#openedAtMs = openedAtMs;
  }

  open(ear: Ear) {
    this.opened += 1;
    this.#ear = ear;
    return {
      send: (text: string) => void this.#said.push(text),
      close: () => undefined,
    };
  }

  now(): number {
    return this.#nowMs;
  }

  wall(): number {
    return this.#openedAtMs + this.#nowMs;
  }

  later(ms: number, then: () => void): () => void {
    const timer = { at: this.#nowMs + ms, then };
    this.#timers.add(timer);
    return () => void this.#timers.delete(timer);
  }

  random(): number {
    return this.chances.shift() ?? 0.5;
  }

  /** Time passes; what falls due in the meantime happens at its instant. */
  pass(ms: number): void {
    const end = this.#nowMs + ms;
    for (;;) {
      const due = [...this.#timers].filter(({ at }) => at <= end).sort((a, b) => a.at - b.at)[0];
      if (due === undefined) break;
      this.#timers.delete(due);
      this.#nowMs = Math.max(this.#nowMs, due.at);
      due.then();
    }
    this.#nowMs = end;
  }

  /** The connection is there. */
  accept(): void {
    this.#ear?.opened();
  }

  /** The server says something. */
  say(msg: ServerMsg): void {
    this.#ear?.heard(JSON.stringify(msg));
  }

  sayText(text: string): void {
    this.#ear?.heard(text);
  }

  /** The connection ends. */
  end(code: number | null, reason = ''): void {
    this.#ear?.closed(code, reason);
  }

  /** What was said since this was last asked. */
  heard(): ClientMsg[] {
    return this.#said.splice(0).flatMap((text) => restored<ClientMsg>(text, ({ type }) => typeof type === 'string') ?? []);
  }
}

/** A welcome to build scenes on: the protocol's own example, with nobody and nothing in it. */
export function welcome(changes: Partial<ServerWelcome> = {}): ServerWelcome {
  const example = decode(readFileSync(new URL('../../../../protocol/examples/server/welcome-coach.json', import.meta.url), 'utf8'));
  if (example?.type !== 'welcome') throw new Error('the example is no welcome');
  return { ...example, role: 'board', in_command: false, pieces: [], athletes: [], prepared: [], calls: [], ...changes };
}
