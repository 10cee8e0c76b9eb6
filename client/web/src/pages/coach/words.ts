// What the coach's page says of the whole field.
import type { AthleteView, CommandId, Order, PieceView } from '../../protocol/decode';
import type { Unanswered } from '../../session/live.svelte';
import { athlete, callsOfPiece, currentPhase, goAt, type ListedCall, type Session } from '../../session/reduce';
import { pieceText } from '../../ui/format';
import { phaseText, repeatText } from '../../ui/words';

/** Names in one breath; beyond, a number. */
const NAMES_MAX = 2;

/** What the clock of the piece tells, in two short lines behind its figure: `0:14` `rest left` `then repeat 3 of 5`. */
export function clockWords(piece: PieceView): readonly [string, string] {
  const { phase, spec } = piece;
  const repeat = repeatText(piece);
  switch (phase.phase) {
    case 'counting':
      return ['until the go', pieceText(spec.repeats)];
    case 'resting':
      return ['rest left', `then repeat ${repeat}`];
    case 'gathering':
    case 'armed':
    case 'rowing':
    case 'closing':
    case 'finished':
    case 'stopped':
      return [phaseText(phase), repeat === '' ? pieceText(spec.repeats) : `repeat ${repeat}, ${pieceText(spec.repeats)}`];
    default:
      return phase satisfies never;
  }
}

/** `12 in, all heard`, `12 in, Bo Quist not heard`; towards the end `Waiting for Bo Quist`. */
export function heardText(session: Session): string {
  // Before a go the standings are not kept up: there is nothing to stand by.
  const lines = goAt(currentPhase(session)) === null ? null : (session.standings?.lines ?? null);
  const here = (lines ?? session.athletes).filter(({ doing }) => doing !== 'away');
  const lost = (lines ?? []).filter(({ doing, not_heard }) => not_heard && doing !== 'away');
  if (here.length === 0) return 'Nobody is in yet';
  const unheard = lost.length === 0 ? '' : `${named(session, lost)} not heard`;
  const waits = (lines ?? []).filter(({ doing }) => doing === 'rowing');
  if (currentPhase(session).phase === 'closing' && waits.length > 0) {
    return `Waiting for ${named(session, waits)}${unheard === '' ? '' : `; ${unheard}`}`;
  }
  return `${here.length} in, ${unheard === '' ? 'all heard' : unheard}`;
}

/** What cannot be known while the server is away. */
export function lostHeardText(session: Session): string {
  const here = (session.standings?.lines ?? session.athletes).filter(({ doing }) => doing !== 'away').length;
  return `${here} in when last heard`;
}

/** An order without an answer takes longer than a blink, in life. */
const SOON_MS = 1_500;

/**
 * What waits for the server: on the desk while it is away, or without an answer for longer than usual. Said from when
 * it is known that it was asked for.
 */
export function waiting(unanswered: readonly Unanswered[], away: boolean, nowMs: number | null, speed: number): readonly Waiting[] {
  return unanswered.flatMap(({ msg, said, asked_at_ms }) => {
    const late = nowMs !== null && asked_at_ms !== null && nowMs - asked_at_ms > SOON_MS * speed;
    if (!away && !late) return [];
    const what = askedText(msg);
    const call = msg.type === 'command' && msg.order.do === 'call';
    const then = said
      ? `${what} was on its way as the server went away: whether it arrived is known when the server is back.`
      : `${what} ${call ? 'goes out' : 'is sent'} when the server is back, as long as this page stays open.`;
    return [{ command: msg.command, call, says: away ? then : `${what}: no answer from the server yet.`, may_be_dropped: !said }];
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
      return msg.order.do === 'call' ? `‘${msg.order.call.text.shown}’` : ORDERS[msg.order.do];
    case 'add_athletes':
      return 'What you added to the roster';
    case 'new_link':
    case 'new_board_link':
    case 'new_coach_link':
      return 'The new link';
    case 'let_in':
      return 'Letting somebody in';
    case 'turn_away':
      return 'Turning somebody away';
    // What an athlete says.
    case 'aim':
    case 'consent':
    case 'ready':
    case 'skip':
    case 'stop_rowing':
    case 'row_on':
      return 'What you said';
    case 'take_command':
      return 'Taking command';
    default:
      return msg satisfies never;
  }
}

const IN_ROSTER = 'What you changed in the roster';
const PREPARED = 'What you prepared';

/** What an order is called while it waits; a call is called by its words. */
const ORDERS: Readonly<Record<Exclude<Order['do'], 'call'>, string>> = {
  take_back: 'Taking the call back',
  start: 'The start',
  stop: 'The stop',
  false_start: 'The false start',
  arm: '“Sit ready”',
  disarm: '“Not yet”',
  next_repeat: 'The next repeat',
  next_piece: 'The next piece',
  close: 'Closing the piece',
  close_session: 'Closing the session',
  aim: IN_ROSTER,
  change_athlete: IN_ROSTER,
  remove_athlete: IN_ROSTER,
  prepare_calls: PREPARED,
  set_pieces: PREPARED,
  settings: PREPARED,
};

/** By name while they are few, else how many. */
function named(session: Session, lines: readonly { readonly athlete: string }[]): string {
  if (lines.length > NAMES_MAX) return `${lines.length}`;
  return lines.map((line) => athlete(session, line.athlete)?.spec.name ?? '?').join(' and ');
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

/** How long it is said that a call reached nobody. */
const UNHEARD_TOLD_MS = 12_000;

/** That the newest call reached nobody, and why; empty when it did reach somebody, or was long ago. */
export function unheardText(session: Session, nowMs: number | null): string {
  const last = callsOfPiece(session).reduce<ListedCall | null>((newest, call) => (newest === null || call.sent_at_ms >= newest.sent_at_ms ? call : newest), null);
  if (last === null || nowMs === null || last.athletes.length > 0 || nowMs - last.sent_at_ms > UNHEARD_TOLD_MS) return '';
  return `‘${last.text.shown}’ reached nobody: nobody whom it was for is rowing. Who has not begun, has stopped or is home gets no call.`;
}

/** On which side of the own target a margin lies, by its words; 0.0 is on neither. */
export function sideOf(margin: string): 'ahead' | 'behind' | '' {
  return margin.startsWith('−') ? 'behind' : margin.startsWith('+') ? 'ahead' : '';
}

/** Teams of the roster, by name. */
export function teamsOf(session: Session): readonly string[] {
  return [...new Set(session.athletes.flatMap(({ spec }) => spec.team ?? []))].sort((a, b) => a.localeCompare(b));
}

/** `Ida`, `Ida and Bo`, `6`. */
export function whoText(session: Session, athletes: readonly string[]): string {
  if (athletes.length === 0) return 'nobody';
  if (athletes.length > NAMES_MAX) return String(athletes.length);
  return athletes.map((id) => athlete(session, id)?.spec.name ?? '?').join(' and ');
}

/** As a list is looked through for somebody. */
export function byName(athletes: readonly AthleteView[]): readonly AthleteView[] {
  return athletes.toSorted((one, other) => one.spec.name.localeCompare(other.spec.name));
}
