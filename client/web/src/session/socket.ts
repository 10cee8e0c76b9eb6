// A link to a session that holds: it comes back after every loss and says so.
//
// What is said goes out on the connection that stands now or nowhere; whoever must be heard says it again after the
// next welcome.
import { ui } from '#texts';
import { LIMITS } from '../../generated/known';
import { decode, encode } from '../protocol/decode';
import type {
  ClientCreate,
  ClientJoin,
  ClientMsg,
  Event,
  Role,
  RunId,
  ServerCreated,
  ServerJoined,
  ServerMsg,
  ServerWaiting,
  ServerWelcome,
} from '../protocol/decode';
import { answered, best, type Answers, type Estimate } from './clock';
import { advice } from './close';
import type { Wire, World } from './world';

const VERSION = 1;
/** Sent when nothing else was for this long, on the session's clock … */
const HEARTBEAT_MS = LIMITS.heartbeat_ms;
/** … and a connection that is silent for this long is abandoned … */
const SILENCE_MS = 6_000;
/** … but a busy device gets this much real time, however fast the session runs. */
const SILENCE_LEAST_MS = 2_000;
/** While the coach is asked, the request is repeated this often, in real time. */
const ASK_AGAIN_MS = 5_000;
/** How long connecting and greeting may take, in real time. */
const WELCOME_MS = 10_000;
/** Questions to the clock when a connection begins, this far apart … */
const QUESTIONS = 8;
const QUESTION_APART_MS = 60;
/** … and then one every so often. */
const QUESTION_EVERY_MS = 15_000;
/** Longest random wait before coming back: this, twice this, … */
const WAIT_FIRST_MS = 200;
/** … up to this. */
const WAIT_MAX_MS = 4_000;

/** How a place in the session is opened: with its secret, with a coach’s own key and the session’s code, or by making one. */
export type Entry = { readonly secret: string; readonly code?: string } | ClientCreate | ClientJoin;

export interface LinkConfig {
  readonly role: Role;
  readonly entry: Entry;
  /** An athlete's recording. */
  readonly run: RunId | null;
  /** Which device this is; null for a board. */
  readonly device?: string | null;
  /** Takes an athlete's seat even if another device is heard in it. Once let in, it does not take it back by itself. */
  readonly takeSeat?: boolean;
}

/** What a link tells. Messages about clock and heartbeat are not passed on. */
export type News =
  | { readonly news: 'entered'; readonly msg: ServerCreated | ServerJoined }
  /** The coach is asked to let this device in. */
  | { readonly news: 'waiting'; readonly msg: ServerWaiting }
  | { readonly news: 'welcome'; readonly msg: ServerWelcome }
  | { readonly news: 'said'; readonly msg: ServerMsg }
  /** The clock has been asked often enough to be trusted. */
  | { readonly news: 'clock_set' }
  /** It comes back by itself. */
  | { readonly news: 'lost'; readonly says: string; /** Null: without a close frame. */ readonly code: number | null; readonly again_in_ms: number }
  /** For good. */
  | { readonly news: 'ended'; readonly says: string; readonly code: number | null };

/** One connection, from opening to its end. */
interface Connection {
  readonly wire: Wire;
  welcomed: boolean;
  heardMs: number;
  sentMs: number;
  questionMs: number;
  questions: number;
  answers: Answers;
  restartMs: number;
}

export class Link {
  readonly #config: LinkConfig;
  readonly #world: World;
  readonly #tell: (news: News) => void;
  #secret: string | null;
  /** By it a coach comes in with a key of their own. */
  #code: string | null = null;
  #connection: Connection | null = null;
  #callOff: () => void = () => undefined;
  #failures = 0;
  #wasWelcome = false;
  #ended = false;
  #speed = 1;
  #estimate: Estimate | null = null;
  #epoch: string | null = null;
  /** A page that has just been opened has missed nothing: the welcome holds everything that is true. */
  #lastEvent = 0;
  /** The last sample of the recording that was acknowledged. */
  #acked = 0;

  /** Starts connecting. */
  constructor(config: LinkConfig, world: World, tell: (news: News) => void) {
    this.#config = config;
    this.#world = world;
    this.#tell = tell;
    this.#secret = 'secret' in config.entry ? config.entry.secret : null;
    if ('secret' in config.entry) this.#code = config.entry.code ?? null;
    this.#connect();
  }

  /** Says something on the connection that stands; false when there is none. */
  say(msg: ClientMsg): boolean {
    const connection = this.#connection;
    if (connection === null || !connection.welcomed) return false;
    this.#send(connection, msg);
    return true;
  }

  /** Uses another secret from the next connection on. */
  comesBy(secret: string): void {
    this.#secret = secret;
  }

  /** Leaves for good, without a word to anybody here. */
  leave(): void {
    this.#ended = true;
    this.#callOff();
    this.#connection?.wire.close();
    this.#connection = null;
  }

  /** The session's time in milliseconds; null before the server was first heard. */
  now(): number | null {
    return this.at(this.#world.now());
  }

  /** The session's time in whole milliseconds, as this device knows it from an earlier connection. */
  #sessionMs(): number | null {
    const now = this.now();
    return now === null ? null : Math.max(0, Math.round(now));
  }

  /** The session's time when the clock of this device showed `deviceMs`. */
  at(deviceMs: number): number | null {
    return this.#estimate === null ? null : (deviceMs * 1_000 * this.#speed + this.#estimate.offsetUs) / 1_000;
  }

  /** `now` is right to within this many milliseconds; null before the first answer. */
  bound(): number | null {
    const connection = this.#connection;
    const estimate = connection === null ? null : best(connection.answers, this.#ownMs() * 1_000);
    return estimate === null ? null : Math.ceil(estimate.boundUs / 1_000);
  }

  #connect(): void {
    const wire = this.#world.open({
      opened: () => this.#greet(),
      heard: (text) => this.#heard(wire, text),
      closed: (code, reason) => {
        if (this.#connection?.wire === wire) this.#lost(code, reason);
      },
    });
    const nowMs = this.#ownMs();
    this.#connection = {
      wire,
      welcomed: false,
      heardMs: nowMs,
      sentMs: nowMs,
      questionMs: nowMs,
      questions: 0,
      answers: [],
      restartMs: 0,
    };
    this.#later(WELCOME_MS, () => this.#giveUp(ui.lost.noAnswer));
  }

  #greet(): void {
    const connection = this.#connection;
    if (connection === null) return;
    if (this.#secret !== null) {
      this.#send(connection, {
        type: 'hello',
        version_min: VERSION,
        version_max: VERSION,
        role: this.#config.role,
        secret: this.#secret,
        ...(this.#code === null ? {} : { code: this.#code }),
        run: this.#config.run,
        at_ms: this.#sessionMs(),
        unacked_seq: this.#config.run === null ? null : this.#acked + 1,
        device: this.#config.device ?? null,
        take_seat: this.#config.takeSeat === true && !this.#wasWelcome,
        last_event: this.#lastEvent,
      });
    } else if ('type' in this.#config.entry) {
      this.#send(connection, this.#config.entry);
    }
  }

  #heard(wire: Wire, text: string): void {
    const connection = this.#connection;
    if (connection === null || connection.wire !== wire) return;
    connection.heardMs = this.#ownMs();
    const msg = decode(text);
    if (msg === null) return;
    if (connection.welcomed) this.#inSession(connection, msg);
    else this.#beforeWelcome(connection, msg);
  }

  #beforeWelcome(connection: Connection, msg: ServerMsg): void {
    if (msg.type === 'created' || msg.type === 'joined') {
      this.#secret = msg.type === 'created' ? this.#opener(msg) : msg.secret;
      this.#tell({ news: 'entered', msg });
      this.#greet();
    } else if (msg.type === 'waiting') {
      this.#failures = 0;
      this.#tell({ news: 'waiting', msg });
      this.#later(ASK_AGAIN_MS, () => {
        this.#greet();
        this.#later(WELCOME_MS, () => this.#giveUp(ui.lost.noAnswer));
      });
    } else if (msg.type === 'refused') {
      // A name that is taken, a session that does not exist: the person has to say it differently.
      this.leave();
      this.#tell({ news: 'ended', says: msg.refusal.says, code: null });
    } else if (msg.type === 'welcome') {
      this.#welcomed(connection, msg);
    }
  }

  /** A coach of the club comes in by their own key, so that what they order is known as theirs; anybody else by the session’s link. */
  #opener({ by, code, coach_secret }: ServerCreated): string {
    const { entry } = this.#config;
    if (by == null || !('type' in entry) || entry.type !== 'create' || entry.key == null) return coach_secret;
    this.#code = code;
    return entry.key;
  }

  #welcomed(connection: Connection, msg: ServerWelcome): void {
    // For somebody who has just come, everything that happened before is in this message.
    if (this.#epoch === null) this.#lastEvent = msg.last_event;
    // Another journal numbers its events from the start.
    else if (this.#epoch !== msg.epoch) this.#lastEvent = this.#acked = 0;
    this.#epoch = msg.epoch;
    // A damaged journal may have lost some: the numbers of those to come have been used before.
    this.#lastEvent = Math.min(this.#lastEvent, msg.last_event);
    // Whoever was acknowledged further than what is there keeps saying so until it is there again.
    this.#acked = Math.max(this.#acked, msg.durable?.run === this.#config.run ? msg.durable.through_seq : 0);
    this.#speed = Math.max(1, msg.speed);
    const nowMs = this.#ownMs();
    // The session was at least this far when the welcome was written, so it is never taken to be ahead.
    this.#estimate = { offsetUs: (msg.at_ms - nowMs) * 1_000, boundUs: 0 };
    this.#wasWelcome = true;
    Object.assign(connection, { welcomed: true, heardMs: nowMs, sentMs: nowMs, questionMs: nowMs });
    this.#tell({ news: 'welcome', msg });
    this.#pulse();
  }

  #inSession(connection: Connection, msg: ServerMsg): void {
    switch (msg.type) {
      case 'heartbeat':
        return;
      case 'clock': {
        const before = connection.answers.length;
        connection.answers = answered(connection.answers, msg, connection.heardMs * 1_000);
        this.#estimate = best(connection.answers, connection.heardMs * 1_000);
        if (before < QUESTIONS && connection.answers.length === QUESTIONS) {
          // It has held for a while: the next failure counts as the first.
          this.#failures = 0;
          this.#tell({ news: 'clock_set' });
        }
        return;
      }
      case 'restart':
        connection.restartMs = msg.after_ms;
        break;
      case 'ack':
        if (msg.durable.run === this.#config.run) this.#acked = Math.max(this.#acked, msg.durable.through_seq);
        return this.#tell({ news: 'said', msg: { ...msg, events: this.#onlyNew(msg.events) } });
      case 'events':
        return this.#tell({ news: 'said', msg: { ...msg, events: this.#onlyNew(msg.events) } });
      default:
        break;
    }
    this.#tell({ news: 'said', msg });
  }

  /** An event that was told before is not told again. */
  #onlyNew(events: Event[]): Event[] {
    return events.filter(({ event }) => {
      const isNew = event > this.#lastEvent;
      if (isNew) this.#lastEvent = event;
      return isNew;
    });
  }

  /** Says what is due on this connection, and comes back when more is. */
  #pulse(): void {
    const connection = this.#connection;
    if (connection === null) return;
    const nowMs = this.#ownMs();
    const silenceMs = Math.max(SILENCE_MS, SILENCE_LEAST_MS * this.#speed);
    if (nowMs - connection.heardMs >= silenceMs) return this.#giveUp(ui.lost.silent);
    if (nowMs >= connection.questionMs) {
      connection.questions += 1;
      connection.questionMs = nowMs + (connection.questions < QUESTIONS ? QUESTION_APART_MS : QUESTION_EVERY_MS);
      this.#send(connection, { type: 'clock', client_sent_us: Math.round(nowMs * 1_000) });
    } else if (nowMs - connection.sentMs >= HEARTBEAT_MS) {
      this.#send(connection, { type: 'heartbeat' });
    }
    const nextMs = Math.min(connection.questionMs, connection.sentMs + HEARTBEAT_MS, connection.heardMs + silenceMs);
    // At least a whole millisecond: timers that fire early must not make this loop.
    this.#later(Math.max(1, Math.ceil((nextMs - nowMs) / this.#speed)), () => this.#pulse());
  }

  #giveUp(says: string): void {
    const connection = this.#connection;
    this.#lost(null, says);
    connection?.wire.close();
  }

  #lost(code: number | null, reason: string): void {
    const restartMs = this.#connection?.restartMs ?? 0;
    this.#connection = null;
    this.#callOff();
    if (this.#ended) return;
    const says = reason === '' ? ui.lost.closed : reason;
    if (advice(code) === 'stop') {
      this.#ended = true;
      return this.#tell({ news: 'ended', says, code });
    }
    const longestMs = Math.min(WAIT_MAX_MS, WAIT_FIRST_MS * 2 ** this.#failures);
    this.#failures += 1;
    const waitMs = (restartMs + longestMs * this.#world.random()) / this.#speed;
    this.#later(waitMs, () => this.#connect());
    this.#tell({ news: 'lost', says, code, again_in_ms: waitMs });
  }

  #send(connection: Connection, msg: ClientMsg): void {
    connection.wire.send(encode(msg));
    connection.sentMs = this.#ownMs();
  }

  /** The one timer: a new wait replaces the one before. */
  #later(ms: number, then: () => void): void {
    this.#callOff();
    this.#callOff = this.#world.later(ms, then);
  }

  /** The clock of this device, as fast as the session runs. */
  #ownMs(): number {
    return this.#world.now() * this.#speed;
  }
}
