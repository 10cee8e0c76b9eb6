// Both decoders against vectors worked out by hand, against public decoders, and against nonsense.
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { NOTHING_BEGUN, joined, readPart, writePart, type Part, type Rowed } from './ftms';
import { readHeart, beats, type Measurement } from './heart';

interface Vector {
  readonly name: string;
  readonly hex: readonly string[];
  readonly record: Rowed | 'short';
  readonly beyond?: number;
  readonly quarrels?: readonly string[];
}
interface Vectors {
  readonly rower: readonly Vector[];
  readonly heart: readonly { readonly name: string; readonly hex: string; readonly measurement: Measurement | 'short' }[];
}
interface Crosscheck {
  readonly reads: readonly { readonly vector: string; readonly decoder: string; readonly read: Record<string, number | string> }[];
}

const fixtures = new URL('../../../fixtures/ftms/', import.meta.url);
const fixture = (name: string) => JSON.parse(readFileSync(new URL(name, fixtures), 'utf8'));
const vectors: Vectors = fixture('vectors.json');
const crosscheck: Crosscheck = fixture('crosscheck.json');

const bytes = (hex: string) => new DataView(Uint8Array.from(Buffer.from(hex.replaceAll(' ', ''), 'hex')).buffer);
const hex = (value: ArrayBufferView) => Buffer.from(value.buffer, value.byteOffset, value.byteLength).toString('hex');

/** Reads all notifications of one record; nothing may come before the last. */
function record(notifications: readonly string[]): { record: Rowed | null; last: Part } {
  let begun = NOTHING_BEGUN;
  let record: Rowed | null = null;
  let last: Part = { ok: false, why: 'short' };
  for (const notification of notifications) {
    expect(record).toBeNull();
    last = readPart(bytes(notification));
    ({ begun, record } = joined(begun, last));
  }
  return { record, last };
}

describe('rower data', () => {
  test.each(vectors.rower)('$name', ({ hex: notifications, record: wanted, beyond }) => {
    const read = record(notifications);
    if (wanted === 'short') {
      expect(read).toEqual({ record: null, last: { ok: false, why: 'short' } });
      return;
    }
    expect(read.record).toEqual(wanted);
    expect(read.last).toMatchObject({ ok: true, closes: true, beyond: beyond ?? 0 });
  });

  test.each(vectors.rower.filter(({ record, beyond }) => record !== 'short' && beyond === undefined))('$name, written again', ({ hex: notifications, name }) => {
    for (const notification of notifications) {
      const part = readPart(bytes(notification));
      if (!part.ok) throw new Error('short');
      const writing = { ...(part.closes ? {} : { more: true as const }), ...(name.includes('two bytes') ? { oldResistance: true as const } : {}) };
      expect(hex(writePart(part.rowed, writing))).toBe(notification.replaceAll(' ', ''));
    }
  });

  // Source: three general-purpose decoders from PyPI, run once by crosscheck.py, which says why they disagree.
  test.each(crosscheck.reads)('$decoder agrees, or is known to quarrel: $vector', ({ vector, decoder, read }) => {
    const ours = vectors.rower.find(({ name }) => name === vector)?.record ?? null;
    const quarrels = vectors.rower.find(({ name }) => name === vector)?.quarrels;
    const known = ours === null ? null : ours === 'short' ? 'short' : Object.fromEntries(Object.entries(ours).filter(([, value]) => value !== null));
    const theirs = 'failed' in read ? 'short' : read;
    if (quarrels?.includes(decoder)) expect(theirs).not.toEqual(known);
    else expect(theirs).toEqual(known);
  });

  test('the public decoders read every vector', () => {
    expect(crosscheck.reads.length).toBe(4 * vectors.rower.length);
  });

  test('a record whose end is lost does not go on for ever', () => {
    const more = readPart(new DataView(writePart({ distance_m: 306 }, { more: true }).buffer));
    let begun = NOTHING_BEGUN;
    const closed = Array.from({ length: 8 }, () => {
      const next = joined(begun, more);
      begun = next.begun;
      return next.record;
    });
    expect(closed).toEqual([...Array.from({ length: 7 }, () => null), { distance_m: 306 }]);
    expect(begun).toEqual(NOTHING_BEGUN);
  });
});

describe('heart rate', () => {
  test.each(vectors.heart)('$name', ({ hex: notification, measurement }) => {
    expect(readHeart(bytes(notification))).toEqual(measurement === 'short' ? null : measurement);
  });

  test('a loose strap and a heart not found yet tell no beats', () => {
    const measured = { heart_bpm: 131, contact: true, energy_kj: null, rr_1024ths_s: [] };
    expect([measured, { ...measured, contact: null }, { ...measured, contact: false }, { ...measured, heart_bpm: 0 }].map(beats)).toEqual([131, 131, null, null]);
  });
});

test('a hundred thousand odd values never throw, and no number leaves its field', () => {
  // SplitMix-like mixing by Math.imul, seeded: the same odd values in every run.
  let seed = 20_261;
  const chance = (below: number): number => {
    seed = (seed + 0x9e3779b9) | 0;
    let z = Math.imul(seed ^ (seed >>> 16), 0x85ebca6b);
    z = Math.imul(z ^ (z >>> 13), 0xc2b2ae35);
    return ((z ^ (z >>> 16)) >>> 0) % below;
  };
  let begun = NOTHING_BEGUN;
  let read = 0;
  let records = 0;
  for (let nth = 0; nth < 100_000; nth += 1) {
    const value = new Uint8Array(chance(41)).map(() => chance(256));
    // Windows into a larger buffer must not let neighbours in.
    const offset = chance(4);
    const around = new Uint8Array(value.length + 8).fill(0xee);
    around.set(value, offset);
    const view = new DataView(around.buffer, offset, value.length);
    const part = readPart(view);
    const next = joined(begun, part);
    begun = next.begun;
    records += next.record === null ? 0 : 1;
    readHeart(view);
    if (!part.ok) {
      const alone = readPart(new DataView(value.buffer));
      expect(alone.ok).toBe(false);
      continue;
    }
    read += 1;
    for (const number of Object.values(part.rowed)) {
      if (number !== null && !(Number.isInteger(number) && number >= -32_768 && number <= 16_777_215)) throw new Error(`${hex(value)}: ${number}`);
    }
    // Written again and read again it is the same, wherever both are of today's definition.
    const again = readPart(new DataView(writePart(part.rowed, part.closes ? {} : { more: true }).buffer));
    if ((part.rowed.resistance ?? 0) >= 0 && (part.rowed.resistance ?? 0) < 256) expect(again).toEqual({ ...part, beyond: 0 });
  }
  expect(read).toBeGreaterThan(30_000);
  expect(records).toBeGreaterThan(15_000);
});
