// Who needs the coach: during the piece by the server's notices, before it by what is not ready.
import type { About, AthleteView, Notice } from '../../protocol/decode';
import { distanceText, durationText, targetText, timeText } from '../../ui/format';

/** Now: somebody's health. Soon: the pace. Fault: contact and machines, which mend themselves or can wait. */
export type Urgency = 'now' | 'soon' | 'fault';

/** One card. */
export interface Need {
  readonly urgency: Urgency;
  /** What it is, in a few words. */
  readonly says: string;
  /** The numbers behind it, or what to do. */
  readonly more: string;
}

/** Cards at a time: more would be a list to work through, not a hint. */
export const CARDS_MAX = 4;
/** A count-down that may be off by more than this is worth a word. */
const CLOCK_BOUND_MS = 100;

export function needOf({ about, since_ms }: Notice, nowMs: number | null): Need {
  return { urgency: urgencyOf(about), ...wordsOf(about, nowMs === null ? null : Math.max(0, nowMs - since_ms)) };
}

function urgencyOf(about: About): Urgency {
  switch (about.about) {
    case 'stopped':
    case 'heart_rate':
      return 'now';
    case 'fading':
    case 'too_fast':
    case 'rate_no_faster':
      return 'soon';
    case 'not_heard':
    case 'machine_reset':
    case 'clocks_apart':
    case 'target_far_off':
      return 'fault';
    default:
      return about satisfies never;
  }
}

function wordsOf(about: About, sinceMs: number | null): { readonly says: string; readonly more: string } {
  switch (about.about) {
    case 'stopped':
      return { says: `stopped after ${metres(about.done_dm)}`, more: 'Look whether all is well. No call goes there.' };
    case 'heart_rate':
      return { says: `heart rate ${about.heart_bpm}`, more: `The limit is ${about.limit_bpm}.` };
    case 'fading':
      return {
        says: `fading: ${timeText(about.now_per_500m_ms)} now`,
        more: `Was ${timeText(about.before_per_500m_ms)}; ${timeText(about.enough_per_500m_ms)} is enough.`,
      };
    case 'too_fast':
      return { says: `early: ${timeText(about.now_per_500m_ms)} so far`, more: `The plan has ${timeText(about.plan_per_500m_ms)}.` };
    case 'rate_no_faster':
      return {
        says: `rate ${about.rate_half_spm / 2}, was ${about.before_half_spm / 2}`,
        more: `No faster: ${timeText(about.now_per_500m_ms)} after ${timeText(about.before_per_500m_ms)}.`,
      };
    case 'not_heard':
      return {
        says: sinceMs === null ? 'not heard' : `not heard for ${Math.floor(sinceMs / 1_000)} s`,
        more: 'Comes back by itself; what is rowed is kept.',
      };
    case 'machine_reset':
      return { says: 'machine was reset', more: `At ${metres(about.done_dm)}; the parts are joined.` };
    case 'clocks_apart':
      return { says: `clocks ${(Math.abs(about.apart_ms) / 1_000).toFixed(1)} s apart`, more: 'The machine’s own and the session’s: the times may be wrong.' };
    case 'target_far_off':
      return { says: `heading for ${targetText(about.heading)}`, more: `Far from the target ${targetText(about.target)}: is it the right one?` };
    default:
      return about satisfies never;
  }
}

/** Whole metres: nobody reads more from across the room. */
function metres(dm: number): string {
  return distanceText(Math.floor(dm / 10) * 10);
}

/** What is missing before a start, most hindering first; empty: ready. */
export function missingOf({ spec, aim, doing, cautions_read, machine, clock_bound_ms, heart_rate, question }: AthleteView): readonly string[] {
  const asked = question?.says ?? '';
  const target = [...(aim.target === null ? ['no target: not ranked'] : []), ...(asked === '' ? [] : [asked])];
  if (doing === 'away') return ['not here yet', ...target];
  const missing: string[] = [];
  if (!cautions_read) missing.push('cautions not accepted');
  if (machine === null) missing.push('no machine linked');
  missing.push(...target);
  if (clock_bound_ms === null) missing.push('clock not set yet');
  else if (clock_bound_ms > CLOCK_BOUND_MS) missing.push(`clock only within ${durationInWords(clock_bound_ms)}`);
  if (spec.heart_limit_bpm !== null && !heart_rate) missing.push(`heart limit ${spec.heart_limit_bpm}, but no heart rate comes`);
  return missing;
}

function durationInWords(ms: number): string {
  return ms < 60_000 ? `${(ms / 1_000).toFixed(1)} s` : durationText(ms);
}

/** Those who row and have no card, where so many cards are: `Nine more are rowing.` */
export function restText(others: number, cards: number): string {
  if (others === 0) return '';
  if (cards === 0) return 'Nobody needs a word now.';
  return others === 1 ? 'One more is rowing.' : `${capital(numberText(others))} more are rowing.`;
}

/** `The other nine are ready.` */
export function readyText(others: number, all: number): string {
  if (all === 0) return '';
  if (others === 0) return 'Nobody is ready yet.';
  if (others === all) return all === 1 ? 'The one here is ready.' : all === 2 ? 'Both are ready.' : `All ${numberText(all)} are ready.`;
  return others === 1 ? 'The other one is ready.' : `The other ${numberText(others)} are ready.`;
}

function capital(word: string): string {
  return word.charAt(0).toUpperCase() + word.slice(1);
}

function numberText(number: number): string {
  return ['no', 'one', 'two', 'three', 'four', 'five', 'six', 'seven', 'eight', 'nine', 'ten', 'eleven', 'twelve'][number] ?? String(number);
}
