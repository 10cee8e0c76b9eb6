// The session's clock on this side of the wire, after RFC 5905 sections 8 and 10: of the last eight answers, the one
// with the least delay is believed. Pure; the caller says what this device's clock shows. Everything is in
// microseconds; this device's clock is scaled by the speed of the session.
import type { ServerClock } from '../protocol/decode';

/** Answers that are kept, as in RFC 5905 section 10. */
const KEPT = 8;
/** How far two clocks may drift apart: 15 millionths each (PHI of RFC 5905). */
const DRIFT = 2 * 15e-6;

/** One question to the server's clock and its answer. */
interface Exchange {
  readonly offsetUs: number;
  readonly delayUs: number;
  readonly backUs: number;
}

/** What the session's clock is taken to be. */
export interface Estimate {
  /** To be added to this device's clock. */
  readonly offsetUs: number;
  /** It is right to within this much, whatever the two directions of the connection are like. */
  readonly boundUs: number;
}

/** The last answers, oldest first. */
export type Answers = readonly Exchange[];

/** Takes in one answer, which arrived at `backUs` on this device's clock. */
export function answered(answers: Answers, answer: ServerClock, backUs: number): Answers {
  const { client_sent_us: asked, server_heard_us: heard, server_sent_us: sent } = answer;
  const offsetUs = (heard - asked + (sent - backUs)) / 2;
  const delayUs = Math.max(0, backUs - asked - (sent - heard));
  return [...answers.slice(1 - KEPT), { offsetUs, delayUs, backUs }];
}

/** The best of the answers, with a bound that widens with its age; null before the first. */
export function best(answers: Answers, nowUs: number): Estimate | null {
  const boundUs = (one: Exchange) => one.delayUs / 2 + DRIFT * Math.max(0, nowUs - one.backUs);
  const quickest = answers.reduce<Exchange | null>(
    (known, one) => (known === null || boundUs(one) < boundUs(known) ? one : known),
    null,
  );
  return quickest === null ? null : { offsetUs: quickest.offsetUs, boundUs: boundUs(quickest) };
}
