// What a heart-rate strap says: Heart Rate Measurement (0x2A37) of the Heart Rate Service 1.0.
//
// Heart rate leaves this device only with the athlete's consent; that is asked for elsewhere.

/** The Heart Rate Service. */
export const STRAP_SERVICE = 0x180d;
/** Heart Rate Measurement. */
export const STRAP_DATA = 0x2a37;

/** One measurement. */
export interface Measurement {
  readonly heart_bpm: number;
  /** Whether the strap touches the skin; null when it cannot tell. */
  readonly contact: boolean | null;
  /** Energy since the strap began to count. */
  readonly energy_kj: number | null;
  /** Times between beats in 1/1024 s, the oldest first. */
  readonly rr_1024ths_s: readonly number[];
}

const WIDE = 0x01;
const TOUCHES = 0x02;
const CAN_TELL = 0x04;
const ENERGY = 0x08;
const INTERVALS = 0x10;

/** Reads one notification; null when it is shorter than its own flags imply. Never throws. */
export function readHeart(value: DataView): Measurement | null {
  const flags = value.byteLength > 0 ? value.getUint8(0) : 0;
  const heartEnds = (flags & WIDE) === 0 ? 2 : 3;
  const energyEnds = (flags & ENERGY) === 0 ? heartEnds : heartEnds + 2;
  if (value.byteLength < energyEnds) return null;
  const intervals: number[] = [];
  if ((flags & INTERVALS) !== 0) {
    for (let at = energyEnds; at + 2 <= value.byteLength; at += 2) intervals.push(value.getUint16(at, true));
  }
  return {
    heart_bpm: (flags & WIDE) === 0 ? value.getUint8(1) : value.getUint16(1, true),
    contact: (flags & CAN_TELL) === 0 ? null : (flags & TOUCHES) !== 0,
    energy_kj: energyEnds === heartEnds ? null : value.getUint16(heartEnds, true),
    rr_1024ths_s: intervals,
  };
}

/** Beats a minute that may be shown; null when the strap hangs loose or has found no beat. */
export function beats(measurement: Measurement): number | null {
  return measurement.contact === false || measurement.heart_bpm === 0 ? null : measurement.heart_bpm;
}
