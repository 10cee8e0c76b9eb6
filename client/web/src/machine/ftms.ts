// What a rowing machine says over the open Fitness Machine Service: Rower Data (0x2AD1).
//
// Pure: bytes in, numbers out, and nothing that comes over the air throws. Sources: Fitness Machine
// Service 1.0.1, sections 4.8 and 4.19, and the GATT Specification Supplement.

/** The Fitness Machine Service. */
export const ROWER_SERVICE = 0x1826;
/** Rower Data. */
export const ROWER_DATA = 0x2ad1;

/** A field of Rower Data, named by what it counts and its unit. */
export type Field =
  | 'rate_half_spm'
  | 'strokes'
  | 'mean_rate_half_spm'
  | 'distance_m'
  | 'pace_per_500m_s'
  | 'mean_pace_per_500m_s'
  | 'power_w'
  | 'mean_power_w'
  | 'resistance'
  | 'energy_kcal'
  | 'energy_per_hour_kcal'
  | 'energy_per_minute_kcal'
  | 'heart_bpm'
  | 'met_tenths'
  | 'elapsed_s'
  | 'remaining_s';

/** What a record says. A field that is absent was not sent; null means that the machine does not know it. */
export type Rowed = { readonly [F in Field]?: number | null };

/** One notification, read. */
export type Part =
  | {
      readonly ok: true;
      readonly rowed: Rowed;
      /** Completes its record; otherwise more of it follows. */
      readonly closes: boolean;
      /** Bytes after the last field that the flags call for; ignored. */
      readonly beyond: number;
    }
  /** Shorter than its own flags imply: nothing in it can be trusted. */
  | { readonly ok: false; readonly why: 'short' };

type Width = 1 | 2 | 3;

/** How one field is encoded in the record. */
interface Place {
  readonly field: Field;
  /** Bit of the flags that announces it; bit 0 announces when it is clear. */
  readonly bit: number;
  readonly width: Width;
  readonly signed?: true;
  /** All ones mean 'not available'; the standard says so only for the energies. */
  readonly unknown?: number;
}

const MORE_DATA = 0;
const RESISTANCE = 7;

/** In the order of the record. */
const PLACES: readonly Place[] = [
  { field: 'rate_half_spm', bit: MORE_DATA, width: 1 },
  { field: 'strokes', bit: MORE_DATA, width: 2 },
  { field: 'mean_rate_half_spm', bit: 1, width: 1 },
  { field: 'distance_m', bit: 2, width: 3 },
  { field: 'pace_per_500m_s', bit: 3, width: 2 },
  { field: 'mean_pace_per_500m_s', bit: 4, width: 2 },
  { field: 'power_w', bit: 5, width: 2, signed: true },
  { field: 'mean_power_w', bit: 6, width: 2, signed: true },
  { field: 'resistance', bit: RESISTANCE, width: 1 },
  { field: 'energy_kcal', bit: 8, width: 2, unknown: 0xffff },
  { field: 'energy_per_hour_kcal', bit: 8, width: 2, unknown: 0xffff },
  { field: 'energy_per_minute_kcal', bit: 8, width: 1, unknown: 0xff },
  { field: 'heart_bpm', bit: 9, width: 1 },
  { field: 'met_tenths', bit: 10, width: 1 },
  { field: 'elapsed_s', bit: 11, width: 2 },
  { field: 'remaining_s', bit: 12, width: 2 },
];

/** Resistance took two bytes with a sign in the definition of 2017 and takes one today. */
const OLD_RESISTANCE: Place = { field: 'resistance', bit: RESISTANCE, width: 2, signed: true };
const OLD_PLACES: readonly Place[] = PLACES.map((place) => (place.bit === RESISTANCE ? OLD_RESISTANCE : place));

/** Reads one notification of Rower Data. Never throws. */
export function readPart(value: DataView): Part {
  if (value.byteLength < 2) return { ok: false, why: 'short' };
  const flags = value.getUint16(0, true);
  const places = placesOf(flags, value.byteLength);
  const length = lengthOf(places);
  if (value.byteLength < length) return { ok: false, why: 'short' };
  const rowed: { [F in Field]?: number | null } = {};
  let at = 2;
  for (const place of places) {
    const number = readWhole(value, at, place);
    rowed[place.field] = number === place.unknown ? null : number;
    at += place.width;
  }
  return { ok: true, rowed, closes: calls(flags, MORE_DATA), beyond: value.byteLength - length };
}

/** Whether the flags announce the fields of this bit. The More Data bit is inverted (4.8.1.1). */
function calls(flags: number, bit: number): boolean {
  const set = ((flags >> bit) & 1) === 1;
  return bit === MORE_DATA ? !set : set;
}

/**
 * The fields that a record with these flags and this length holds. Resistance is in the middle, so its width shifts
 * everything after it; only the length tells which definition the machine follows.
 */
function placesOf(flags: number, length: number): readonly Place[] {
  const called = (places: readonly Place[]) => places.filter(({ bit }) => calls(flags, bit));
  const old = called(OLD_PLACES);
  return calls(flags, RESISTANCE) && lengthOf(old) === length ? old : called(PLACES);
}

function lengthOf(places: readonly Place[]): number {
  return places.reduce((length, { width }) => length + width, 2);
}

/** A whole number, least significant byte first. */
function readWhole(value: DataView, at: number, { width, signed }: Place): number {
  let number = 0;
  for (let byte = width - 1; byte >= 0; byte -= 1) number = number * 256 + value.getUint8(at + byte);
  const half = 2 ** (8 * width - 1);
  return signed && number >= half ? number - 2 * half : number;
}

/** Parts that a record may have. The longest, 30 bytes, needs two; without a bound, a lost end would keep joining for ever. */
const PARTS_MAX = 8;

/** Parts of a record that is not complete yet. */
export interface Begun {
  readonly rowed: Rowed;
  readonly parts: number;
}

/** No part of a record is here. Start from this again when a link was lost: the machine never sends the rest (4.18). */
export const NOTHING_BEGUN: Begun = { rowed: {}, parts: 0 };

/**
 * Joins the parts of a record (4.19): returns what has been begun, and the record if this part completed it. A part
 * that is too short is passed over; one more than a record can have completes what there is.
 */
export function joined(begun: Begun, part: Part): { readonly begun: Begun; readonly record: Rowed | null } {
  if (!part.ok) return { begun, record: null };
  const rowed = { ...begun.rowed, ...part.rowed };
  const parts = begun.parts + 1;
  if (!part.closes && parts < PARTS_MAX) return { begun: { rowed, parts }, record: null };
  return { begun: NOTHING_BEGUN, record: rowed };
}

/** How a notification is to be written. */
export interface Writing {
  /** More of the record follows, so rate and strokes are not in this part. */
  readonly more?: true;
  /** Resistance as in the definition of 2017. */
  readonly oldResistance?: true;
}

/** Writes one notification, as a machine would: for tests and for the demo rower. */
export function writePart(rowed: Rowed, { more, oldResistance }: Writing = {}): Uint8Array<ArrayBuffer> {
  const all = oldResistance ? OLD_PLACES : PLACES;
  let flags = more ? 1 : 0;
  for (const { field, bit } of all) if (bit !== MORE_DATA && field in rowed) flags |= 1 << bit;
  const places = all.filter(({ bit }) => calls(flags, bit));
  const value = new Uint8Array(lengthOf(places));
  value.set([flags & 0xff, flags >> 8]);
  let at = 2;
  for (const { field, width, unknown } of places) {
    let rest = rowed[field] ?? unknown ?? 0;
    if (rest < 0) rest += 256 ** width;
    for (let byte = 0; byte < width; byte += 1) {
      value[at + byte] = rest % 256;
      rest = Math.floor(rest / 256);
    }
    at += width;
  }
  return value;
}
