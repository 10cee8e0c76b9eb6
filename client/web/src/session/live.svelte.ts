// The session as it lives on a page: state that components may read, and the way to say something.
import type { ClientMsg, CommandId, Order, Role, RunId } from '../protocol/decode';
import { hasToReload } from './build';
import { newId } from './id';
import { NOTHING_YET, currentPhase, isUnderWay, reduce, type Session, type State } from './reduce';
import { Link, type Entry, type News } from './socket';
import { browser, type World } from './world';

/** How often anything that depends on the time is redrawn. */
const TICK_MS = 100;

const DEVICE = 'thole device';

/** What the server answers under the id that this device gave it. */
type Commanded = Extract<ClientMsg, { command?: CommandId | null }> & { readonly command: CommandId };

/** Asked for and not answered: said again with every new connection, and gone with this page. */
export interface Unanswered {
  readonly msg: Commanded;
  /** It went out on a connection, so the server may have heard it. */
  readonly said: boolean;
  /** The session's time when it was asked for; null before that is known. */
  readonly asked_at_ms: number | null;
}

export class Live {
  #state = $state.raw<State>(NOTHING_YET);
  #nowMs = $state.raw<number | null>(null);
  #link: Link | null = null;
  #unanswered = $state.raw<ReadonlyMap<CommandId, Unanswered>>(new Map());
  #callOff: () => void = () => undefined;
  readonly #world: World;
  readonly #alsoTell: ((news: News) => void)[] = [];

  constructor(world: World = browser()) {
    this.#world = world;
  }

  get state(): State {
    return this.#state;
  }

  get session(): Session | null {
    return this.#state.session;
  }

  /** The session's time, a few times a second; null before the server was heard. */
  get nowMs(): number | null {
    return this.#nowMs;
  }

  get link(): Link | null {
    return this.#link;
  }

  /** Opens a place in a session. Whoever must hear everything, such as a recorder, passes `alsoTell`. */
  enter(role: Role, entry: Entry, run: RunId | null = null, alsoTell?: (news: News) => void, takeSeat = false): Link {
    this.leave();
    this.#state = NOTHING_YET;
    if (alsoTell !== undefined) this.#alsoTell.push(alsoTell);
    const device = role === 'board' ? null : ownDevice(sessionStorage);
    this.#link = new Link({ role, entry, run, device, takeSeat }, this.#world, (news) => this.#hear(news));
    this.#tick();
    return this.#link;
  }

  leave(): void {
    this.#link?.leave();
    this.#link = null;
    this.#alsoTell.length = 0;
    // None of it is said in the name of whoever takes this place next.
    this.#unanswered = new Map();
    this.#callOff();
  }

  /** Says something; false when there is no connection now. */
  say(msg: ClientMsg): boolean {
    return this.#link?.say(msg) ?? false;
  }

  /** Gives an order; what came of it is in `state.answers` under the returned id. */
  order(order: Order): CommandId {
    return this.ask((command) => ({ type: 'command', command, order }));
  }

  /**
   * Asks for something that is answered under an id; said again after a lost connection until it is. What was asked for
   * in its place before is not said again.
   */
  ask(make: (command: CommandId) => Commanded, before: CommandId | null = null): CommandId {
    if (before !== null) this.forgo(before);
    const msg = make(newId());
    const said = this.say(msg);
    this.#unanswered = new Map([...this.#unanswered, [msg.command, { msg, said, asked_at_ms: this.#link?.now() ?? null }]]);
    return msg.command;
  }

  /** What has not been answered yet, in the order in which it was asked for. */
  get unanswered(): readonly Unanswered[] {
    return [...this.#unanswered.values()];
  }

  /** Takes back what no connection has carried yet; false when the server may have heard it. */
  unask(command: CommandId): boolean {
    if (this.#unanswered.get(command)?.said !== false) return false;
    this.forgo(command);
    return true;
  }

  /** Stops saying it, whether it was heard or not. */
  forgo(command: CommandId): void {
    this.#unanswered = new Map([...this.#unanswered].filter(([name]) => name !== command));
  }

  /** Whether this has not been answered yet. */
  waits(command: CommandId): boolean {
    return this.#unanswered.has(command);
  }

  #hear(news: News): void {
    this.#state = reduce(this.#state, news);
    // What is asked for while this is told goes out at once, and not a second time below.
    const before = new Set(this.#unanswered.keys());
    for (const tell of this.#alsoTell) tell(news);
    const { answers } = this.#state;
    if ([...this.#unanswered.keys()].some((command) => answers.has(command))) {
      this.#unanswered = new Map([...this.#unanswered].filter(([command]) => !answers.has(command)));
    }
    if (news.news === 'welcome') {
      const again = (one: Unanswered): Unanswered => ({ ...one, said: this.say(one.msg) || one.said });
      this.#unanswered = new Map([...this.#unanswered].map(([name, one]) => [name, before.has(name) ? again(one) : one]));
      this.#read();
    }
  }

  #tick(): void {
    this.#read();
    this.#callOff = this.#world.later(TICK_MS, () => this.#tick());
  }

  #read(): void {
    this.#nowMs = this.#link?.now() ?? null;
  }

  /** Whether this page is from another build than the server, and may reload itself without disturbing. */
  get isOld(): boolean {
    return this.session !== null && hasToReload(this.session.build);
  }

  /** Not while a piece is rowed, nor just before: a page that reloads itself has lost its machine. */
  get mayReload(): boolean {
    const phase = this.session === null ? null : currentPhase(this.session);
    return phase === null || (phase.phase !== 'armed' && !isUnderWay(phase));
  }
}

/** This page keeps one name, even across a reload: a coach who led on it leads again, and an athlete's is not a second device. */
function ownDevice(shelf: Pick<Storage, 'getItem' | 'setItem'>): string {
  const known = shelf.getItem(DEVICE);
  if (known !== null) return known;
  const name = newId();
  shelf.setItem(DEVICE, name);
  return name;
}

/** An id for joining that nobody can guess: for one attempt, repeated until it is answered. */
export function joinId(): string {
  return `${newId()}${newId()}`.replaceAll('-', '');
}
