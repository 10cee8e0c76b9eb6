// What was rowed here as a recorded piece, one line of JSON, as `thole row --from` and `thole-server replay` read it:
// for when the server has lost it. The rule is that of `client/src/saved.rs`; `protocol/cases/saved.json` holds both to
// it.
import type { Repeat, Sample, Target } from '../protocol/decode';
import { isFields, restored } from '../protocol/decode';
import type { Shelf } from './remembered';

/** Who rowed what. */
export interface Whose {
  readonly id: string;
  /** The join code: who rowed together. */
  readonly group: string;
  /** Empty as long as it is not known what is rowed. */
  readonly repeats: readonly Repeat[];
  readonly target: Target | null;
  /** On the session's clock; null without a go. */
  readonly go_at_ms: number | null;
}

/** One line of a file of recorded pieces. Programs that read it ignore what they do not know. */
export interface Recorded {
  readonly id: string;
  readonly group: string;
  readonly kind: 'distance' | 'time';
  readonly reps: number;
  /** Metres or seconds of the work. */
  readonly rep_size: number;
  readonly target?: number;
  /** Seconds and metres since the go, strokes a minute, watts. */
  readonly samples: readonly (readonly [number, number, number | null, number | null])[];
}

/** A counter that falls by no more than this was rounded by the machine, not reset. */
const JITTER_DM = 20;
/** No piece is shorter. */
const DISTANCE_LEAST_M = 100;

/** Null when nothing was rowed. */
export function recorded(whose: Whose, samples: readonly Sample[]): Recorded | null {
  const rows = joined(samples);
  const first = rows[0];
  if (first === undefined) return null;
  const go = whose.go_at_ms;
  const from = go ?? first.heard_ms;
  const baseline = (go === null ? undefined : rows.findLast(({ heard_ms }) => heard_ms <= go)) ?? first;
  const counted = rows.filter(({ heard_ms }) => (go === null ? true : heard_ms > go));
  if (counted.length === 0) return null;
  const told = counted.map(({ heard_ms, dm, rate_half_spm, power_w }) => {
    const rate = rate_half_spm == null ? null : rate_half_spm / 2;
    return [(heard_ms - from) / 1_000, (dm - baseline.dm) / 10, rate, power_w ?? null] as const;
  });
  const { id, group } = whose;
  return { id, group, ...work(whose, told.at(-1)?.[1] ?? 0), samples: told };
}

/** The piece if it is one stretch of work; otherwise everything that was rowed counts as one, rests and all. */
function work({ repeats, target }: Whose, metres: number): Pick<Recorded, 'kind' | 'reps' | 'rep_size' | 'target'> {
  const [one, ...others] = repeats;
  if (one === undefined || others.length > 0) return { kind: 'distance', reps: 1, rep_size: Math.max(DISTANCE_LEAST_M, Math.ceil(metres)) };
  if (one.work.by === 'distance') {
    return { kind: 'distance', reps: 1, rep_size: one.work.distance_dm / 10, ...(target?.want === 'finish' ? { target: target.finish_ms / 1_000 } : {}) };
  }
  return { kind: 'time', reps: 1, rep_size: one.work.time_ms / 1_000, ...(target?.want === 'distance' ? { target: target.distance_dm / 10 } : {}) };
}

/** In order, with the machine's distance as one count that never runs back. */
function joined(samples: readonly Sample[]): readonly (Sample & { readonly dm: number })[] {
  let [offset, shown] = [0, 0];
  return [...samples]
    .sort((a, b) => a.seq - b.seq)
    .map((sample) => {
      const fell = shown - sample.distance_dm;
      if (fell > JITTER_DM) offset += shown;
      shown = fell > 0 && fell <= JITTER_DM ? shown : sample.distance_dm;
      return { ...sample, dm: offset + shown };
    });
}

/** Keeps who rows what, so that a page reloaded without the server still knows. */
export function rememberRowed(shelf: Shelf, code: string, whose: Whose): void {
  shelf.setItem(`thole rowed ${code}`, JSON.stringify(whose));
}

export function recallRowed(shelf: Shelf, code: string): Whose {
  const kept = restored<Whose>(shelf.getItem(`thole rowed ${code}`), ({ id, group, repeats }) => typeof id === 'string' && typeof group === 'string' && Array.isArray(repeats) && repeats.every((one) => isFields(one) && isFields(one['work'])));
  return kept ?? { id: 'athlete', group: code, repeats: [], target: null, go_at_ms: null };
}
