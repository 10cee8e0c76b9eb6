// A demo rower: nobody rows, the numbers are made up. It says so wherever it is shown.
//
// It speaks as a machine does, in bytes of Rower Data once a second, so everything after it is the real thing.

import { NOTHING_SAID, counted } from './counters';
import { readPart, writePart, type Rowed } from './ftms';
import type { HeardSample, Surroundings } from './radio';

/** How the demo rower rows. */
export interface Manner {
  readonly per_500m_ms: number;
  readonly rate_half_spm: number;
  /** The same seed rows the same metres. */
  readonly seed: number;
}

/** Nobody's target in particular. */
export const USUAL: Manner = { per_500m_ms: 137_000, rate_half_spm: 47, seed: 1 };

/** What the demo rower's machine counts. */
export interface Rower {
  readonly metres: number;
  readonly strokes: number;
  readonly seconds: number;
  readonly chance: number;
}

/** Watts per cubed metre a second on an air-braked machine: common practice, no source. */
const AIR_BRAKE = 2.8;
/** How far one second strays from the pace, as a share. */
const STRAYS = 0.03;

/** Sits down. */
export function seated({ seed }: Manner): Rower {
  return { metres: 0, strokes: 0, seconds: 0, chance: seed >>> 0 };
}

/** A second later; at rest the machine's clock stands still, as most do. */
export function secondLater(rower: Rower, manner: Manner, rows: boolean): Rower {
  if (!rows) return rower;
  const chance = stirred(rower.chance);
  const speed = (500_000 / manner.per_500m_ms) * (1 + STRAYS * ((2 * chance) / 2 ** 32 - 1));
  return {
    metres: rower.metres + speed,
    strokes: rower.strokes + manner.rate_half_spm / 120,
    seconds: rower.seconds + 1,
    chance,
  };
}

/** What the machine's display shows: whole numbers, cut off. */
export function shown({ metres, strokes, seconds }: Rower, manner: Manner, rows: boolean): Rowed {
  const speed = 500_000 / manner.per_500m_ms;
  return {
    rate_half_spm: rows ? manner.rate_half_spm : 0,
    strokes: Math.floor(strokes) % 65_536,
    distance_m: Math.floor(metres),
    power_w: rows ? Math.round(AIR_BRAKE * speed ** 3) : 0,
    elapsed_s: Math.floor(seconds) % 65_536,
  };
}

/** A demo rower on a machine. */
export interface Demo {
  /** From now on it rows, or sits still. */
  row(rows: boolean): void;
  /** From now on it rows at this pace, milliseconds per 500 m. */
  aim(per500mMs: number): void;
  /** Gets up; nothing more comes. */
  leave(): void;
}

/** Takes the demo rower's seat: a sample a second from now on, or `speed` of them in each second of real time. */
export function demo(around: Pick<Surroundings, 'now' | 'later' | 'onSession' | 'sample'>, usual: Manner = USUAL, speed = 1): Demo {
  let manner = usual;
  let rower = seated(manner);
  let rows = false;
  const satMs = around.now();
  let passedS = 0;
  let counters = NOTHING_SAID;
  let stop = () => {};
  const report = (): void => {
    // Timers fire late, most of all in a page that is out of sight: what counts is how much time has passed.
    const dueS = Math.round(((around.now() - satMs) / 1_000) * speed);
    for (; passedS < dueS; passedS += 1) rower = secondLater(rower, manner, rows);
    const part = readPart(new DataView(writePart(shown(rower, manner, rows)).buffer));
    const own_ms = around.now();
    const heard_ms = around.onSession(own_ms);
    if (part.ok && heard_ms !== null) {
      const taken = counted(counters, part.rowed, own_ms);
      counters = taken.counters;
      const sample: HeardSample | null = taken.said && { ...taken.said, heard_ms: Math.round(heard_ms) };
      if (sample !== null) around.sample(sample);
    }
    stop = around.later(1_000 / speed, report);
  };
  report();
  return { row: (now) => void (rows = now), aim: (per_500m_ms) => void (manner = { ...manner, per_500m_ms }), leave: () => stop() };
}

/** One step of Marsaglia's 32-bit xorshift generator (2003), Journal of Statistical Software 8(14). */
function stirred(chance: number): number {
  let x = chance === 0 ? 1 : chance;
  x ^= x << 13;
  x ^= x >>> 17;
  x ^= x << 5;
  return x >>> 0;
}
