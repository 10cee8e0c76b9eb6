// The link to one rowing machine or one heart-rate strap: what it is doing, and what to do next.
//
// Pure: it is told what happened and answers with the new state and with what is to be done; `radio.ts` does it. A link
// that was lost comes back by itself for as long as the athlete wants it, and what is said before and after goes into
// one recording.

import { NOTHING_SAID, counted, standing, type Counters, type Said } from './counters';
import { NOTHING_BEGUN, joined, readPart, type Begun } from './ftms';
import { beats, readHeart } from './heart';

/** What is linked. */
export type Kind = 'rower' | 'strap';

/** Why there is no link, for people to do something about. */
export type Failure =
  /** The athlete closed the browser's list. */
  | 'cancelled'
  /** This device has no Bluetooth, or it is off. */
  | 'no_adapter'
  /** The browser does not let this page use it. */
  | 'blocked'
  /** Nothing answers: too far away, asleep, or linked to another device. */
  | 'no_answer'
  /** It answers, but does not hand out its data. */
  | 'refused'
  /** It answers, but is not a rower (or not a strap). */
  | 'wrong_machine';

/** Why this page cannot have a link at all. */
export type Absence =
  /** A page over plain HTTP: browsers allow Bluetooth only on secure pages. */
  | 'insecure'
  /** This browser has no Web Bluetooth. */
  | 'no_web_bluetooth';

/** What a linked machine has said so far. */
export type Heard =
  | 'nothing'
  /** It reports, but without a distance, from which everything else is made. */
  | 'no_distance'
  | 'enough';

/** What the link is doing. An attempt has a number; what an earlier one still has to say is ignored. */
export type Link =
  | { readonly is: 'absent'; readonly why: Absence }
  | { readonly is: 'idle' }
  | { readonly is: 'choosing'; readonly attempt: number }
  | { readonly is: 'linking'; readonly name: string; readonly attempt: number; readonly failed: number }
  | { readonly is: 'linked'; readonly name: string; readonly attempt: number; readonly heard: Heard }
  | { readonly is: 'lost'; readonly name: string; readonly attempt: number; readonly failed: number }
  | { readonly is: 'failed'; readonly why: Failure };

/** The link, and what was said over it. */
export interface State {
  readonly kind: Kind;
  readonly link: Link;
  /** Attempts made, including failed ones. */
  readonly attempts: number;
  /** Half a record, to be thrown away with the link that carried it. */
  readonly begun: Begun;
  /** The machine's counters: they outlive the link. */
  readonly counters: Counters;
  /** Records without a distance, until one with a distance comes. */
  readonly mute: number;
  /** Something has been said since the link was made: what it shows now is what it last said. */
  readonly fresh: boolean;
}

/** What happened. Instants are on this device's own clock. */
export type Happening =
  | { readonly type: 'asked' }
  | { readonly type: 'chosen'; readonly attempt: number; readonly name: string }
  | { readonly type: 'not_chosen'; readonly attempt: number; readonly why: Failure }
  | { readonly type: 'opened'; readonly attempt: number }
  | { readonly type: 'not_opened'; readonly attempt: number; readonly why: Failure }
  | { readonly type: 'value'; readonly attempt: number; readonly value: DataView; readonly heard_ms: number }
  | { readonly type: 'dropped'; readonly attempt: number }
  | { readonly type: 'waited'; readonly attempt: number }
  | { readonly type: 'tick'; readonly at_ms: number }
  | { readonly type: 'released' };

/** What is to be done. */
export type Todo =
  | { readonly todo: 'choose'; readonly attempt: number }
  | { readonly todo: 'open'; readonly attempt: number }
  | { readonly todo: 'close' }
  | { readonly todo: 'wait'; readonly attempt: number; readonly ms: number }
  | { readonly todo: 'record'; readonly said: Said; readonly heard_ms: number }
  | { readonly todo: 'beat'; readonly heart_bpm: number; readonly heard_ms: number };

/** What came of a happening. */
export interface Next {
  readonly state: State;
  readonly todo: readonly Todo[];
}

/** A first link is tried this often: radios often miss the first call. After that somebody should have a look. */
const FIRST_TRIES = 3;
/** The first wait before coming back, and the longest: a machine that is switched on again is found soon. */
const FIRST_WAIT_MS = 200;
const LONGEST_WAIT_MS = 5_000;
/** After this many records without a distance, one a second, the athlete is told. */
const MUTE_RECORDS = 5;
/** A machine counts as silent after this. */
const SILENT_MS = 900;
/** No radio stalls for this long without losing its link: a machine still silent then is standing still. */
const SURELY_SILENT_MS = 8_000;

/** Nothing is linked yet. */
export function unlinked(kind: Kind, absent: Absence | null): State {
  const link: Link = absent === null ? { is: 'idle' } : { is: 'absent', why: absent };
  return { kind, link, attempts: 0, begun: NOTHING_BEGUN, counters: NOTHING_SAID, mute: 0, fresh: false };
}

/** Takes in what happened. */
export function next(state: State, happening: Happening): Next {
  switch (happening.type) {
    case 'asked':
      return asked(state);
    case 'chosen':
      return current(state, happening.attempt, 'choosing') ? opening(state, happening.name) : same(state);
    case 'not_chosen':
      return current(state, happening.attempt, 'choosing') ? failed(state, happening.why) : same(state);
    case 'opened':
      return opened(state, happening.attempt);
    case 'not_opened':
      return notOpened(state, happening.attempt, happening.why);
    case 'value':
      return heard(state, happening);
    case 'dropped':
      return dropped(state, happening.attempt);
    case 'waited':
      return waited(state, happening.attempt);
    case 'tick':
      return stood(state, happening.at_ms);
    case 'released':
      return released(state);
    default:
      return happening satisfies never;
  }
}

/** How long to wait after this many failures in a row: 0.2 s, 0.4 s … 5 s. */
export function waitMs(failures: number): number {
  return Math.min(FIRST_WAIT_MS * 2 ** failures, LONGEST_WAIT_MS);
}

function same(state: State): Next {
  return { state, todo: [] };
}

function current(state: State, attempt: number, is: Link['is']): boolean {
  return state.link.is === is && 'attempt' in state.link && state.link.attempt === attempt;
}

function asked(state: State): Next {
  const { is } = state.link;
  if (is !== 'idle' && is !== 'failed') return same(state);
  const attempt = state.attempts + 1;
  return { state: { ...state, attempts: attempt, link: { is: 'choosing', attempt } }, todo: [{ todo: 'choose', attempt }] };
}

function opening(state: State, name: string): Next {
  const attempt = state.attempts + 1;
  const link: Link = { is: 'linking', name, attempt, failed: 0 };
  // It may be another machine than before, which counts from somewhere else.
  const fresh = { begun: NOTHING_BEGUN, counters: NOTHING_SAID, mute: 0, fresh: false };
  return { state: { ...state, ...fresh, attempts: attempt, link }, todo: [{ todo: 'open', attempt }] };
}

function opened(state: State, attempt: number): Next {
  const { link } = state;
  if ((link.is !== 'linking' && link.is !== 'lost') || link.attempt !== attempt) return same(state);
  return same({ ...state, link: { is: 'linked', name: link.name, attempt, heard: heardSoFar(state) } });
}

function notOpened(state: State, attempt: number, why: Failure): Next {
  const { link } = state;
  if ((link.is !== 'linking' && link.is !== 'lost') || link.attempt !== attempt) return same(state);
  // A machine that was rowed on is the right one, and one that refuses may be starting up: both are tried again.
  const again = link.is === 'lost' || (why === 'no_answer' && link.failed + 1 < FIRST_TRIES);
  if (!again) return failed(state, why);
  const todo: Todo[] = [{ todo: 'close' }, { todo: 'wait', attempt, ms: waitMs(link.failed) }];
  return { state: { ...state, link: { ...link, failed: link.failed + 1 }, begun: NOTHING_BEGUN }, todo };
}

function failed(state: State, why: Failure): Next {
  return { state: { ...state, link: { is: 'failed', why }, begun: NOTHING_BEGUN }, todo: [{ todo: 'close' }] };
}

function dropped(state: State, attempt: number): Next {
  const { link } = state;
  if (link.is !== 'linked' || link.attempt !== attempt) return same(state);
  const lost: Link = { is: 'lost', name: link.name, attempt, failed: 0 };
  return { state: { ...state, link: lost, begun: NOTHING_BEGUN, fresh: false }, todo: [{ todo: 'wait', attempt, ms: waitMs(0) }] };
}

function waited(state: State, attempt: number): Next {
  const { link } = state;
  if ((link.is !== 'linking' && link.is !== 'lost') || link.attempt !== attempt) return same(state);
  const again = state.attempts + 1;
  const tried: State = { ...state, attempts: again, link: { ...link, attempt: again } };
  return { state: tried, todo: [{ todo: 'open', attempt: again }] };
}

function released(state: State): Next {
  if (state.link.is === 'absent' || state.link.is === 'idle') return same(state);
  return { state: { ...state, link: { is: 'idle' }, begun: NOTHING_BEGUN }, todo: [{ todo: 'close' }] };
}

function heard(state: State, { attempt, value, heard_ms }: Extract<Happening, { type: 'value' }>): Next {
  const { link } = state;
  const listens = link.is === 'linking' || link.is === 'linked' || link.is === 'lost';
  if (!listens || link.attempt !== attempt) return same(state);
  if (state.kind === 'strap') return strapHeard(state, value, heard_ms);
  const { begun, record } = joined(state.begun, readPart(value));
  if (record === null) return same({ ...state, begun });
  const { counters, said } = counted(state.counters, record, heard_ms);
  const mute = said === null ? state.mute + 1 : 0;
  const taken = withHeard({ ...state, begun, counters, mute, fresh: true });
  const heart = record.heart_bpm ?? 0;
  const todo: Todo[] = [];
  if (said !== null) todo.push({ todo: 'record', said, heard_ms });
  if (heart > 0) todo.push({ todo: 'beat', heart_bpm: heart, heard_ms });
  return { state: taken, todo };
}

function strapHeard(state: State, value: DataView, heard_ms: number): Next {
  const measurement = readHeart(value);
  const heart_bpm = measurement === null ? null : beats(measurement);
  if (heart_bpm === null) return same(state);
  const link: Link = state.link.is === 'linked' ? { ...state.link, heard: 'enough' } : state.link;
  return { state: { ...state, link, counters: { ...state.counters, heard_ms } }, todo: [{ todo: 'beat', heart_bpm, heard_ms }] };
}

function withHeard(state: State): State {
  const { link } = state;
  if (link.is !== 'linked') return state;
  const now = heardSoFar(state);
  return now === link.heard ? state : { ...state, link: { ...link, heard: now } };
}

function heardSoFar({ counters, mute }: State): Heard {
  if (counters.distance_m !== null) return 'enough';
  return mute >= MUTE_RECORDS ? 'no_distance' : 'nothing';
}

/** A silent machine still shows its counters: they are reported again, so that there is a baseline at the go. */
function stood(state: State, at_ms: number): Next {
  const { counters, link, kind, fresh } = state;
  const silent = at_ms - counters.heard_ms;
  if (kind !== 'rower' || link.is !== 'linked' || !fresh || silent < SILENT_MS) return same(state);
  const said = standing(silent >= SURELY_SILENT_MS ? { ...counters, atRest: true } : counters);
  return { state, todo: said === null ? [] : [{ todo: 'record', said, heard_ms: at_ms }] };
}
