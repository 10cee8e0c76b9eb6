// Who needs the coach during the piece, by the server's notices.
import { coach as texts } from '#texts';
import type { About, Notice } from '../../protocol/decode';
import { distanceText, targetText, timeText } from '../../ui/format';

/** Now: somebody's health. Soon: the pace. Fault: contact and machines, which recover by themselves or can wait. */
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

export function needOf({ about, since_ms }: Notice, nowMs: number | null): Need {
  return { urgency: urgencyOf(about), ...wordsOf(about, nowMs === null ? null : Math.max(0, nowMs - since_ms)) };
}

function urgencyOf(about: About): Urgency {
  switch (about.about) {
    case 'stopped':
    case 'stopped_unheard':
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
  const { needs } = texts;
  switch (about.about) {
    case 'stopped':
      return { says: needs.stopped(metres(about.done_dm)), more: needs.stoppedMore };
    case 'stopped_unheard':
      return { says: needs.alone(metres(about.done_dm)), more: needs.aloneMore };
    case 'heart_rate':
      return { says: needs.heartRate(about.heart_bpm), more: needs.heartRateMore(about.limit_bpm) };
    case 'fading':
      return {
        says: needs.fading(timeText(about.now_per_500m_ms)),
        more: needs.fadingMore(timeText(about.before_per_500m_ms), timeText(about.enough_per_500m_ms)),
      };
    case 'too_fast':
      return { says: needs.tooFast(timeText(about.now_per_500m_ms)), more: needs.tooFastMore(timeText(about.plan_per_500m_ms)) };
    case 'rate_no_faster':
      return {
        says: needs.rate(about.rate_half_spm / 2, about.before_half_spm / 2),
        more: needs.rateMore(timeText(about.now_per_500m_ms), timeText(about.before_per_500m_ms)),
      };
    case 'not_heard':
      return {
        says: sinceMs === null ? needs.notHeard : needs.notHeardFor(Math.floor(sinceMs / 1_000)),
        more: needs.notHeardMore,
      };
    case 'machine_reset':
      return { says: needs.reset, more: needs.resetMore(metres(about.done_dm)) };
    case 'clocks_apart':
      return { says: needs.clocks(Math.abs(about.apart_ms) / 1_000), more: needs.clocksMore };
    case 'target_far_off':
      return { says: needs.headingFor(targetText(about.heading)), more: needs.farOff(targetText(about.target)) };
    default:
      return about satisfies never;
  }
}

/** Whole metres: nobody can read more from across the room. */
function metres(dm: number): string {
  return distanceText(Math.floor(dm / 10) * 10);
}

/** Those who row and have no card, given how many cards there are. */
export function restText(others: number, cards: number): string {
  if (others === 0) return '';
  return cards === 0 ? texts.needs.nobody : texts.needs.others(others);
}
