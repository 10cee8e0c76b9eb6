// The session as this page knows it. One pure function takes in what the link tells; pages only draw what comes of it.
// A message or an event of a new kind does not compile until it is handled here.
import type {
  AthleteResult,
  AthleteView,
  CallEffect,
  CallId,
  CallText,
  CommandId,
  Detail,
  Event,
  Happening,
  Notice,
  Own,
  Phase,
  PieceView,
  Refusal,
  RunningCall,
  SentCall,
  ServerCreated,
  ServerJoined,
  ServerMsg,
  ServerWelcome,
  Standings,
} from '../protocol/decode';
import type { News } from './socket';

/** Calls that are listed; a coach gives a few a minute. */
const CALLS_MAX = 200;
/** Answers to orders that are remembered; whoever gave the order looks at once. */
const ANSWERS_MAX = 100;

/** How the page is connected. */
export type Connected =
  | { readonly is: 'connecting' }
  | { readonly is: 'here' }
  | { readonly is: 'lost'; readonly says: string; readonly code: number | null }
  | { readonly is: 'ended'; readonly says: string; readonly code: number | null };

/** How a call ended. */
export type Over = { readonly at_ms: number; readonly how: 'ended' | 'taken_back' };

/** A call that went out, as coach and board list it. */
export interface ListedCall extends SentCall {
  readonly over: Over | null;
  /** What changed after it; null until its last stroke is in, and for those who are not told. */
  readonly effect: CallEffect | null;
}

/** A call that can still be taken back before it goes out. */
export interface ArmedCall {
  readonly call: CallId;
  readonly text: CallText;
  readonly sends_at_ms: number;
}

/** An athlete's call, while it stands and afterwards. */
export interface OwnCall extends RunningCall {
  readonly over: Over | null;
}

/** The welcome, kept up to date; and what else is known. */
export interface Session extends Omit<ServerWelcome, 'type' | 'own' | 'call' | 'calls' | 'durable'> {
  /** Board and coach. */
  readonly standings: Standings | null;
  /** Coach. */
  readonly details: readonly Detail[];
  readonly notices: readonly Notice[];
  readonly armed: ArmedCall | null;
  /** Coach and board: what went out in this session, oldest first. */
  readonly calls: readonly ListedCall[];
  /** Athlete. */
  readonly own: Own | null;
  readonly call: OwnCall | null;
  /** Coach: seats to which a second device has come, and when last. */
  readonly secondDevices: ReadonlyMap<string, number>;
  /** Coach: names that look like another one, and whose that is; null when they are only written suspiciously. */
  readonly alike: ReadonlyMap<string, string | null>;
  /** Coach: what the check of the server's clock found, when it was last in doubt, and when that was told. */
  readonly clockCheck: ClockCheck | null;
  /** When everybody was last called back. */
  readonly falseStartAtMs: number | null;
}

/** The server's clock was put forward by this much; null = too few devices came back to say. */
export interface ClockCheck {
  readonly by_ms: number | null;
  readonly devices: number;
  readonly atMs: number;
}

/** What came of an order. */
export type Answer = { readonly done: true } | { readonly done: false; readonly refusal: Refusal };

export interface State {
  readonly connected: Connected;
  /** Null before the first welcome; the last one known while the connection is lost. */
  readonly session: Session | null;
  /** The secrets of a session that this page made, or of a place that it took. */
  readonly entered: ServerCreated | ServerJoined | null;
  /** Coach: links that were made while this page was open, by athlete. */
  readonly links: ReadonlyMap<string, ServerLink>;
  readonly answers: ReadonlyMap<CommandId, Answer>;
  /** What to say while the coach is asked to let this device in; null when nobody is waiting. */
  readonly waits: string | null;
  /** The last refusal that did not answer an order. */
  readonly refusal: Refusal | null;
}

type ServerLink = Omit<ServerJoined, 'type'>;

export const NOTHING_YET: State = {
  connected: { is: 'connecting' },
  session: null,
  entered: null,
  links: new Map(),
  answers: new Map(),
  waits: null,
  refusal: null,
};

export function reduce(state: State, news: News): State {
  switch (news.news) {
    case 'entered':
      return { ...state, waits: null, entered: news.msg };
    case 'waiting':
      return { ...state, waits: news.msg.says };
    case 'welcome':
      return { ...state, connected: { is: 'here' }, session: welcomed(state.session, news.msg) };
    case 'said':
      return said(state, news.msg);
    case 'clock_set':
      return state;
    case 'lost':
      return { ...state, connected: { is: 'lost', says: news.says, code: news.code } };
    case 'ended':
      return { ...state, connected: { is: 'ended', says: news.says, code: news.code } };
    default:
      return news satisfies never;
  }
}

/** The piece that is being rowed, or comes next. */
export function currentPiece(session: Session): PieceView | null {
  return session.pieces.find(({ piece }) => piece === session.current) ?? null;
}

/** Its phase; gathering while there is no piece. */
export function currentPhase(session: Session): Phase {
  return currentPiece(session)?.phase ?? { phase: 'gathering' };
}

/** Nothing more is rowed in it. */
export function isOver(phase: Phase): boolean {
  return phase.phase === 'finished' || phase.phase === 'stopped';
}

/** Whether somebody may be rowing: then no page does anything that could disturb. */
export function isUnderWay(phase: Phase): boolean {
  switch (phase.phase) {
    case 'gathering':
    case 'armed':
    case 'finished':
    case 'stopped':
      return false;
    case 'counting':
    case 'rowing':
    case 'resting':
    case 'closing':
      return true;
    default:
      return phase satisfies never;
  }
}

/** The instant of the go; null when there was or is none. */
export function goAt(phase: Phase): number | null {
  return 'go_at_ms' in phase ? phase.go_at_ms : null;
}

/** The calls of the current piece that went out, oldest first. */
export function callsOfPiece(session: Session): readonly ListedCall[] {
  const go = goAt(currentPhase(session));
  return go === null ? [] : session.calls.filter((call) => call.sent_at_ms >= go);
}

/** An athlete of the roster. */
export function athlete(session: Session, id: string): AthleteView | null {
  return session.athletes.find((view) => view.athlete === id) ?? null;
}

function welcomed(before: Session | null, msg: ServerWelcome): Session {
  const { type: _, own, call, calls, durable: __, ...now } = msg;
  const same = before !== null && before.session === msg.session && before.epoch === msg.epoch ? before : null;
  const standings = same?.standings?.piece === msg.current ? same.standings : null;
  const session: Session = {
    ...now,
    standings,
    details: standings === null ? [] : (same?.details ?? []),
    notices: standings === null ? [] : (same?.notices ?? []),
    armed: calls.reduce(stillArmed, null),
    calls: same?.calls ?? [],
    own: own?.piece === msg.current ? own : null,
    call: call === null ? null : { ...call, over: null },
    secondDevices: same?.secondDevices ?? new Map(),
    alike: same?.alike ?? new Map(),
    clockCheck: same?.clockCheck ?? null,
    falseStartAtMs: same?.falseStartAtMs ?? null,
  };
  return calls.reduce(withListed, session);
}

/** The call that is waiting out its grace period, after one more event about calls. */
function stillArmed(armed: ArmedCall | null, { what }: Event): ArmedCall | null {
  if (what.kind === 'call_armed') return { call: what.call, text: what.text, sends_at_ms: what.sends_at_ms };
  const about = what.kind === 'call_sent' || what.kind === 'call_taken_back' ? what.call : null;
  return armed?.call === about ? null : armed;
}

function said(state: State, msg: ServerMsg): State {
  switch (msg.type) {
    case 'done':
      return { ...state, answers: withAnswer(state.answers, msg.command, { done: true }) };
    case 'refused':
      return msg.command === null
        ? { ...state, refusal: msg.refusal }
        : { ...state, answers: withAnswer(state.answers, msg.command, { done: false, refusal: msg.refusal }) };
    case 'links': {
      const links = new Map([...state.links, ...msg.links.map((link) => [link.athlete, link] as const)]);
      return { ...state, links, answers: withAnswer(state.answers, msg.command, { done: true }) };
    }
    // Whoever asked for a table collects its parts.
    case 'results_table':
      return state;
    case 'board_link':
    case 'coach_link':
      return { ...state, answers: withAnswer(state.answers, msg.command, { done: true }) };
    case 'standings':
    case 'overview':
    case 'own':
    case 'ack':
    case 'events':
    case 'in_command':
    case 'requests':
      return state.session === null ? state : { ...state, session: heard(state.session, msg) };
    // Before the session, or only about the connection: the link has dealt with them.
    case 'created':
    case 'joined':
    case 'waiting':
    case 'welcome':
    case 'clock':
    case 'heartbeat':
    case 'restart':
      return state;
    default:
      return msg satisfies never;
  }
}

type AboutSession = Extract<ServerMsg, { type: 'standings' | 'overview' | 'own' | 'ack' | 'events' | 'in_command' | 'requests' }>;

function heard(session: Session, msg: AboutSession): Session {
  switch (msg.type) {
    case 'standings': {
      const { type: _, ...standings } = msg;
      return { ...session, standings };
    }
    case 'overview':
      return { ...session, standings: msg.standings, details: msg.details, notices: msg.notices };
    case 'own': {
      const { type: _, ...own } = msg;
      return withOwn(session, own);
    }
    case 'ack':
      return msg.events.reduce(happened, msg.own === null ? session : withOwn(session, msg.own));
    case 'events':
      return msg.events.reduce(happened, session);
    case 'in_command':
      return { ...session, in_command: msg.yes };
    case 'requests':
      return { ...session, requests: msg.requests };
    default:
      return msg satisfies never;
  }
}

/** The athlete's own standing also says how many strokes of the call are left. */
function withOwn(session: Session, own: Own): Session {
  const { call } = session;
  const counts = call !== null && call.over === null && own.call_strokes_left !== null;
  return { ...session, own, call: counts ? { ...call, strokes_left: own.call_strokes_left } : call };
}

/** Takes in one event. What the welcome already includes is listed, and changes nothing else. */
function happened(session: Session, event: Event): Session {
  const listed = withListed(session, event);
  if (event.event <= session.last_event) return listed;
  return { ...changed(listed, event.at_ms, event.what), last_event: event.event };
}

/** The list of calls: a page that comes in mid-piece finds the earlier ones in the welcome. */
function withListed(session: Session, { at_ms, what }: Event): Session {
  switch (what.kind) {
    case 'call_sent': {
      const { kind: _, ...sent } = what;
      const others = session.calls.filter((one) => one.call !== sent.call);
      // Each athlete gets a call of the sheet at their own time: it is one call, with more people.
      const known = session.calls.find((one) => one.call === sent.call);
      const athletes = [...new Set([...(known?.athletes ?? []), ...sent.athletes])];
      const replaced = [...new Set([...(known?.replaced ?? []), ...sent.replaced])];
      const sentAt = known?.sent_at_ms ?? sent.sent_at_ms;
      return { ...session, calls: [...others, { ...sent, athletes, replaced, sent_at_ms: sentAt, over: null, effect: known?.effect ?? null }].slice(-CALLS_MAX) };
    }
    case 'call_ended':
      return { ...session, calls: withOver(session.calls, what.call, { at_ms, how: 'ended' }) };
    case 'call_taken_back':
      return { ...session, calls: withOver(session.calls, what.call, { at_ms, how: 'taken_back' }) };
    case 'call_effect': {
      const { kind: _, ...effect } = what;
      return { ...session, calls: session.calls.map((one) => (one.call === effect.call ? { ...one, effect } : one)) };
    }
    case 'phase_changed':
    case 'false_start':
    case 'pieces_set':
    case 'settings_changed':
    case 'athletes_changed':
    case 'athletes_removed':
    case 'second_device':
    case 'looks_like':
    case 'clock_set':
    case 'calls_prepared':
    case 'ruled':
    case 'calibrated':
    case 'call':
    case 'call_armed':
    case 'results':
    case 'damaged':
    case 'session_closed':
      return session;
    default:
      return what satisfies never;
  }
}

function changed(session: Session, atMs: number, what: Happening): Session {
  switch (what.kind) {
    case 'phase_changed':
      return inPhase(session, what.piece, what.phase);
    case 'false_start':
      return { ...session, falseStartAtMs: atMs };
    case 'pieces_set': {
      const fresh = what.pieces.map((spec, nth): PieceView => ({
        piece: what.first + nth,
        spec,
        phase: { phase: 'gathering' },
        results: [],
        teams: [],
      }));
      return { ...session, pieces: [...session.pieces.filter(({ piece }) => piece < what.first), ...fresh] };
    }
    case 'settings_changed':
      return { ...session, settings: what.settings };
    case 'athletes_changed':
      return { ...session, athletes: replaced(session.athletes, what.athletes, (view) => view.athlete) };
    case 'athletes_removed': {
      const stays = ({ athlete }: { readonly athlete: string }) => !what.athletes.includes(athlete);
      const pieces = session.pieces.map((view) => ({ ...view, results: view.results.filter(stays) }));
      return { ...session, pieces, athletes: session.athletes.filter(stays) };
    }
    case 'second_device':
      return { ...session, secondDevices: new Map([...session.secondDevices, [what.athlete, atMs]]) };
    case 'looks_like':
      return { ...session, alike: new Map([...session.alike, [what.athlete, what.like ?? null]]) };
    case 'clock_set':
      return { ...session, clockCheck: { by_ms: what.by_ms ?? null, devices: what.devices, atMs } };
    case 'calls_prepared':
      return { ...session, prepared: what.calls };
    case 'calibrated':
      return { ...session, calibration: what.calibration };
    case 'call': {
      const { kind: _, ...call } = what;
      const strokes_left = call.span.until === 'strokes' ? call.span.strokes : null;
      return { ...session, call: { ...call, sent_at_ms: atMs, strokes_left, over: null } };
    }
    case 'call_armed': {
      const { kind: _, ...armed } = what;
      return { ...session, armed };
    }
    case 'call_sent':
      return session.armed?.call === what.call ? { ...session, armed: null } : session;
    case 'call_ended':
      return withCallOver(session, what.call, { at_ms: atMs, how: 'ended' });
    case 'call_taken_back':
      return withCallOver(session, what.call, { at_ms: atMs, how: 'taken_back' });
    case 'call_effect':
      return session;
    case 'results': {
      const put = (view: PieceView): PieceView =>
        view.piece === what.piece ? { ...view, results: replaced(view.results, what.results, byAthlete), teams: what.teams ?? view.teams ?? [] } : view;
      return { ...session, pieces: session.pieces.map(put) };
    }
    case 'ruled': {
      const ruled = (view: PieceView): PieceView => (view.piece === what.piece ? { ...view, rulings: what.rulings } : view);
      return { ...session, pieces: session.pieces.map(ruled) };
    }
    case 'damaged': {
      const { kind: _, ...damage } = what;
      return { ...session, damage: [...(session.damage ?? []), damage] };
    }
    case 'session_closed':
      return { ...session, closed: true };
    default:
      return what satisfies never;
  }
}

function inPhase(session: Session, current: number, phase: Phase): Session {
  const pieces = session.pieces.map((view) => (view.piece === current ? { ...view, phase } : view));
  const next = { ...session, pieces, current };
  // Nothing of another piece, or of another attempt at this one, is shown as if it belonged to this one.
  const anew = current !== session.current || phase.phase === 'counting';
  return anew ? { ...next, standings: null, details: [], notices: [], own: null, call: null, armed: null } : next;
}

function withCallOver(session: Session, call: CallId, over: Over): Session {
  return {
    ...session,
    armed: session.armed?.call === call ? null : session.armed,
    call: session.call?.call === call ? { ...session.call, over } : session.call,
  };
}

function withOver(calls: readonly ListedCall[], call: CallId, over: Over): readonly ListedCall[] {
  return calls.map((one) => (one.call === call ? { ...one, over } : one));
}

function withAnswer(answers: State['answers'], command: CommandId, answer: Answer): State['answers'] {
  return new Map([...answers, [command, answer] as const].slice(-ANSWERS_MAX));
}

/** Those known under the same name are replaced; new ones come at the end. */
function replaced<One>(known: readonly One[], fresh: readonly One[], name: (one: One) => string): One[] {
  const byName = new Map(fresh.map((one) => [name(one), one]));
  const kept = known.map((one) => {
    const now = byName.get(name(one));
    byName.delete(name(one));
    return now ?? one;
  });
  return [...kept, ...byName.values()];
}

function byAthlete(result: AthleteResult): string {
  return result.athlete;
}
