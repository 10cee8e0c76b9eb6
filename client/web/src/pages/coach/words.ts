// Which text the coach's page uses about the whole field.
import { coach as texts, type Some } from '#texts';
import type { AthleteView, CommandId, Order, PieceView } from '../../protocol/decode';
import type { Unanswered } from '../../session/live.svelte';
import { athlete, callsOfPiece, currentPhase, goAt, type ListedCall, type Session } from '../../session/reduce';
import { pieceText } from '../../ui/format';
import { phaseText, repeatText } from '../../ui/words';
import { closingText } from './closing';

/** Names in one breath; beyond that, a number. */
const NAMES_MAX = 2;

/** What the clock of the piece says, in two short lines after its figure: `0:14` `rest left` `then repeat 3 of 5`. */
export function clockWords(piece: PieceView): readonly [string, string] {
  const { phase, spec } = piece;
  const repeat = repeatText(piece);
  switch (phase.phase) {
    case 'counting':
      return [texts.field.untilStart, pieceText(spec.repeats)];
    case 'resting':
      return [texts.field.restLeft, texts.field.thenRepeat(repeat)];
    case 'gathering':
    case 'armed':
    case 'rowing':
    case 'closing':
    case 'finished':
    case 'stopped':
      return [phaseText(phase), repeat === '' ? pieceText(spec.repeats) : texts.field.inRepeat(repeat, pieceText(spec.repeats))];
    default:
      return phase satisfies never;
  }
}

/** Who is home, and who is not heard; at the end of a repeat and of the piece, whom everybody else is waiting for. */
export function heardText(session: Session): string {
  // Before a go the standings are not kept up to date: there is nothing to go by.
  const lines = goAt(currentPhase(session)) === null ? null : (session.standings?.lines ?? null);
  const here = (lines ?? session.athletes).filter(({ doing }) => doing !== 'away');
  const lost = (lines ?? []).filter(({ doing, not_heard }) => not_heard && doing !== 'away');
  if (here.length === 0) return texts.field.nobody;
  const closing = currentPhase(session).phase === 'closing' ? closingText(session) : '';
  if (closing !== '') return closing;
  const waits = waitsFor(session);
  if (waits !== null) {
    return lost.length === 0 ? texts.field.waiting(waits) : texts.field.waitingNotHeard(waits, named(session, lost));
  }
  return lost.length === 0 ? texts.field.allHeard(here.length) : texts.field.notHeard(here.length, named(session, lost));
}

/** Those for whom everybody else waits; null when nobody does. */
export function waitsFor(session: Session): Some | null {
  const waits = (session.standings?.lines ?? []).filter((line) => session.standings?.waits_for.includes(line.athlete));
  return waits.length === 0 ? null : named(session, waits);
}

/** What cannot be known while the server is away. */
export function lostHeardText(session: Session): string {
  const here = (session.standings?.lines ?? session.athletes).filter(({ doing }) => doing !== 'away').length;
  return texts.field.lastHeard(here);
}

/** An order that has not been answered for this long takes longer than a blink, in real time. */
const SOON_MS = 1_500;

/**
 * What is waiting for the server: on the desk while it is away, or unanswered for longer than usual. Shown from the
 * moment that the time it was asked for is known.
 */
export function waiting(unanswered: readonly Unanswered[], away: boolean, nowMs: number | null, speed: number): readonly Waiting[] {
  return unanswered.flatMap(({ msg, said, asked_at_ms }) => {
    const late = nowMs !== null && asked_at_ms !== null && nowMs - asked_at_ms > SOON_MS * speed;
    if (!away && !late) return [];
    const what = askedText(msg);
    const call = msg.type === 'command' && msg.order.do === 'call';
    const { onItsWay, callGoesOut, isSent, noAnswer } = texts.waiting;
    const then = said ? onItsWay(what) : call ? callGoesOut(what) : isSent(what);
    return [{ command: msg.command, call, says: away ? then : noAnswer(what), may_be_dropped: !said }];
  });
}

export interface Waiting {
  readonly command: CommandId;
  readonly call: boolean;
  readonly says: string;
  /** The server cannot have heard it. */
  readonly may_be_dropped: boolean;
}

function askedText(msg: Unanswered['msg']): string {
  switch (msg.type) {
    case 'command':
      return msg.order.do === 'call' ? texts.waiting.call(msg.order.call.text.shown) : ORDERS[msg.order.do];
    case 'add_athletes':
      return texts.waiting.added;
    case 'new_link':
    case 'new_board_link':
    case 'new_coach_link':
      return texts.waiting.link;
    case 'let_in':
    case 'let_in_all':
      return texts.waiting.lettingIn;
    case 'turn_away':
      return texts.waiting.turningAway;
    // Things that an athlete says.
    case 'aim':
    case 'consent':
    case 'ready':
    case 'skip':
    case 'stop_rowing':
    case 'row_on':
      return texts.waiting.said;
    case 'take_command':
      return texts.waiting.command;
    case 'results_table':
      return texts.waiting.table;
    default:
      return msg satisfies never;
  }
}

/** What an order is called while it waits; a call goes by its words. */
const ORDERS: Readonly<Record<Exclude<Order['do'], 'call'>, string>> = {
  take_back: texts.waiting.takeBack,
  start: texts.waiting.start,
  stop: texts.waiting.stop,
  false_start: texts.waiting.falseStart,
  arm: texts.waiting.arm,
  disarm: texts.waiting.disarm,
  next_repeat: texts.waiting.nextRepeat,
  next_piece: texts.waiting.nextPiece,
  close: texts.waiting.close,
  close_session: texts.waiting.closeSession,
  aim: texts.waiting.roster,
  change_athlete: texts.waiting.roster,
  remove_athlete: texts.waiting.roster,
  prepare_calls: texts.waiting.prepared,
  set_pieces: texts.waiting.prepared,
  settings: texts.waiting.prepared,
  make_official: texts.waiting.ruling,
  reopen: texts.waiting.ruling,
  correct_result: texts.waiting.ruling,
  correct_target: texts.waiting.ruling,
  exclude: texts.waiting.ruling,
  unrank: texts.waiting.ruling,
  undo: texts.waiting.ruling,
};

/** By name while they are few, otherwise how many. */
function named(session: Session, lines: readonly { readonly athlete: string }[]): Some {
  return someOf(session, lines.map((line) => line.athlete));
}

/**
 * Calls of this piece that stand for somebody, oldest first. The standings name them, once a second; what went out
 * since the last ones stands too.
 */
export function standingCalls(session: Session): readonly ListedCall[] {
  const { standings } = session;
  const stand = new Set((standings?.calls ?? []).map(({ call }) => call));
  return callsOfPiece(session).filter(
    ({ call, over, sent_at_ms, athletes }) => over === null && athletes.length > 0 && (stand.has(call) || sent_at_ms >= (standings?.at_ms ?? 0)),
  );
}

/** How long a message that a call reached nobody stays. */
const UNHEARD_TOLD_MS = 12_000;

/** Says that the newest call reached nobody, and why; empty when it did reach somebody, or was long ago. */
export function unheardText(session: Session, nowMs: number | null): string {
  const last = callsOfPiece(session).reduce<ListedCall | null>((newest, call) => (newest === null || call.sent_at_ms >= newest.sent_at_ms ? call : newest), null);
  if (last === null || nowMs === null || last.athletes.length > 0 || nowMs - last.sent_at_ms > UNHEARD_TOLD_MS) return '';
  return texts.calls.unheard(last.text.shown);
}

/** Teams of the roster, by name. */
export function teamsOf(session: Session): readonly string[] {
  return [...new Set(session.athletes.flatMap(({ spec }) => spec.team ?? []))].sort((a, b) => a.localeCompare(b));
}

/** Their names while they are few, otherwise how many. */
export function someOf(session: Session, athletes: readonly string[]): Some {
  if (athletes.length > NAMES_MAX) return athletes.length;
  return athletes.map((id) => athlete(session, id)?.spec.name ?? '?');
}

/** In the order in which a list is searched for somebody. */
export function byName(athletes: readonly AthleteView[]): readonly AthleteView[] {
  return athletes.toSorted((one, other) => one.spec.name.localeCompare(other.spec.name));
}
