// Rules that the command line has too: both are held to the tables in `protocol/cases`.
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { counted, NOTHING_SAID, type Counters, type Said } from '../machine/counters';
import type { Rowed } from '../machine/ftms';
import { readRoster, type Kind } from '../pages/coach/roster';
import { answered, best, type Answers } from '../session/clock';
import { Kept } from '../session/kept';
import { NOTHING_YET, reduce, type State } from '../session/reduce';
import { pieceText, targetText } from '../ui/format';
import { readPiece, readTarget } from '../ui/parse';
import { decode, type Durable, type Event, type Happening, type Repeat, type RosterEntry, type ServerMsg, type Target } from './decode';

const protocol = new URL('../../../../protocol/', import.meta.url);

function table<Case>(name: string): readonly Case[] {
  const cases: readonly Case[] = JSON.parse(readFileSync(new URL(`cases/${name}.json`, protocol), 'utf8'));
  if (cases.length === 0) throw new Error(`${name}.json has no cases`);
  return cases;
}

function example(name: string): ServerMsg {
  const msg = decode(readFileSync(new URL(`examples/server/${name}.json`, protocol), 'utf8'));
  if (msg === null) throw new Error(`${name} is not understood`);
  return msg;
}

interface ClockCase {
  readonly name: string;
  /** Asked, heard, sent, back. */
  readonly answers: readonly (readonly [number, number, number, number])[];
  readonly at_us: number;
  readonly offset_us: number;
  readonly bound_us: number;
}

test.each(table<ClockCase>('clock'))('clock: $name', ({ answers, at_us, offset_us, bound_us }) => {
  const all = answers.reduce<Answers>(
    (known, [client_sent_us, server_heard_us, server_sent_us, back]) => answered(known, { type: 'clock', client_sent_us, server_heard_us, server_sent_us }, back),
    [],
  );
  const estimate = best(all, at_us);
  expect(estimate?.offsetUs).toBe(offset_us);
  expect(Math.round(estimate?.boundUs ?? Number.NaN)).toBe(bound_us);
});

type Gives = { readonly samples: readonly number[] } | { readonly skip: readonly [number, number] } | null;
type Step =
  | readonly ['welcomed', string, number, readonly [number, number][], { readonly behind: number } | { readonly all_again: true }]
  | readonly ['record', number]
  | readonly ['next', number, number, Gives]
  | readonly ['acknowledged', number, readonly [number, number][], number]
  | readonly ['pending', number]
  | readonly ['forget', number]
  | readonly ['unsent'];

const RUN = '7c1f0f3e-2d4b-4a59-9c36-8e5b1a70d2f4';
const durable = (through_seq: number, beyond: readonly [number, number][]): Durable => ({ run: RUN, through_seq, beyond: beyond.map((pair) => [...pair]) });

function given(kept: Kept, past: number, now: number): Gives {
  const next = kept.next(past, now);
  if (next === null) return null;
  return next.type === 'samples' ? { samples: next.samples.map(({ seq }) => seq) } : { skip: [next.from_seq, next.to_seq] };
}

test.each(table<{ readonly name: string; readonly steps: readonly Step[] }>('kept'))('kept: $name', ({ steps }) => {
  const kept = new Kept(RUN);
  for (const [nth, step] of steps.entries()) {
    const at = `step ${nth + 1}: ${step[0]}`;
    switch (step[0]) {
      case 'welcomed': {
        const resumed = kept.welcomed(step[1], durable(step[2], step[3]));
        expect(resumed.resumed === 'all_again' ? { all_again: true } : { behind: resumed.behind }, at).toEqual(step[4]);
        break;
      }
      case 'record':
        kept.record({ heard_ms: step[1], distance_dm: 10 * step[1], elapsed_ms: null, strokes: null, rate_half_spm: null, power_w: null });
        break;
      case 'next':
        expect(given(kept, step[1], step[2]), at).toEqual(step[3]);
        break;
      case 'acknowledged':
        kept.acknowledged(durable(step[1], step[2]), step[3]);
        break;
      case 'pending':
        expect(kept.pending, at).toBe(step[1]);
        break;
      case 'forget':
        kept.forget(step[1]);
        break;
      case 'unsent':
        kept.unsent();
        break;
      default:
        throw new Error(`${String(step satisfies never)} is no step`);
    }
  }
});

interface MirrorCase {
  readonly name: string;
  readonly welcome: string;
  readonly events: readonly (readonly [number, Happening | string])[];
  readonly then: Readonly<Record<string, unknown>>;
}

function whatOf(told: Happening | string): Happening {
  if (typeof told !== 'string') return told;
  const msg = example(told);
  const what = msg.type === 'events' ? msg.events[0]?.what : undefined;
  if (what === undefined) throw new Error(`${told} has no event`);
  return what;
}

test.each(table<MirrorCase>('mirror'))('mirror: $name', ({ welcome, events, then }) => {
  const msg = example(welcome);
  if (msg.type !== 'welcome') throw new Error(`${welcome} is no welcome`);
  const first: State = reduce(NOTHING_YET, { news: 'welcome', msg });
  const state = events.reduce((before, [event, told]) => {
    const one: Event = { event, at_ms: 1_050_000, late: false, what: whatOf(told) };
    return reduce(before, { news: 'said', msg: { type: 'events', events: [one] } });
  }, first);
  const { session } = state;
  if (session === null) throw new Error('no welcome');
  const all: Record<string, unknown> = {
    current: session.current,
    phases: session.pieces.map(({ phase }) => phase.phase),
    own: session.own !== null,
    call: session.call !== null,
    athletes: session.athletes.slice(0, 3).map(({ spec }) => spec.name),
    results: session.pieces.map(({ results }) => results.length),
    ranking: session.settings.ranking,
    prepared: session.prepared.map(({ shown }) => shown),
    damage: session.damage?.length ?? 0,
    closed: session.closed,
  };
  expect(Object.keys(then).every((key) => key in all)).toBe(true);
  expect(Object.fromEntries(Object.keys(then).map((key) => [key, all[key]]))).toEqual(then);
});

interface Worded {
  readonly typed: string;
  /** Null: not understood. */
  readonly target?: Target | null;
  readonly piece?: readonly Repeat[] | null;
  /** As both show it. */
  readonly shown?: string;
}

describe('wording', () => {
  test.each(table<Worded>('wording'))('‘$typed’', ({ typed, target, piece, shown }) => {
    if (target !== undefined) {
      const read = readTarget(typed);
      expect(read.ok ? read.value : null).toEqual(target);
      if (target !== null) expect(targetText(target)).toBe(shown);
    }
    if (piece !== undefined) {
      const read = readPiece(typed);
      expect(read.ok ? read.value : null).toEqual(piece);
      if (piece !== null) expect(pieceText(piece)).toBe(shown);
    }
  });
});

interface CountersCase {
  readonly name: string;
  /** When it was heard, and what it says. */
  readonly records: readonly (readonly [number, Rowed])[];
  /** What becomes of each. */
  readonly samples: readonly (Readonly<Record<keyof Said, number | null>> | null)[];
}

test.each(table<CountersCase>('counters'))('counters: $name', ({ records, samples }) => {
  const unsaid = { elapsed_ms: null, strokes: null, rate_half_spm: null, power_w: null };
  let counters: Counters = NOTHING_SAID;
  const all = records.map(([heard, record]) => {
    const taken = counted(counters, record, heard);
    counters = taken.counters;
    return taken.said === null ? null : { ...unsaid, ...taken.said };
  });
  expect(all).toEqual(samples);
});

interface RosterCase {
  readonly name: string;
  readonly text: string;
  /** What the pieces are measured by. */
  readonly kinds: readonly Kind[];
  readonly entries?: readonly RosterEntry[];
  readonly unread?: readonly string[];
  /** The first line that cannot be used. */
  readonly wrong?: number;
}

test.each(table<RosterCase>('roster'))('roster: $name', ({ text, kinds, entries, unread = [], wrong }) => {
  const read = readRoster(text, kinds.length, [], kinds);
  expect(read.troubles[0]?.line).toBe(wrong);
  if (entries !== undefined) expect([read.entries, read.unread]).toEqual([entries, unread]);
});
