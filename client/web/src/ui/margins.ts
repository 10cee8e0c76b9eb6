// Margins of results, with as many decimals as it takes: somebody who is placed behind somebody else must not read the
// same. Places are given by the finish as it is shown, to 0.1 s or a metre, and margins as they are usually written would
// hide what decided.
import type { Margin, Ranking, Target } from '../protocol/decode';
import { marginText } from './format';

/** Somebody, or a team, with a result. */
export interface Placed {
  readonly place: number | null;
  readonly margin: Margin | null;
  /** For an athlete; with both, the share is known to the last digit. */
  readonly target?: Target | null;
  readonly shown?: Target | null;
}

/** At most this many decimals: two different finishes are never closer for targets as they are set. */
const SHARE_DIGITS = 9;
const SECONDS_DIGITS = 3;

/** The margin of each of them; more decimals only for those who would otherwise read the same and do not share a place. */
export function marginsTold<One extends Placed>(all: readonly One[], ranking: Ranking): (one: One) => string {
  const texts = new Map<Placed, string>();
  let alike: readonly One[] = all.filter(({ margin }) => margin !== null);
  for (let digits = 1; alike.length > 0; digits += 1) {
    for (const one of alike) texts.set(one, textOf(one, ranking, digits));
    alike = digits < digitsMax(alike, ranking) ? confused(alike, texts) : [];
  }
  return (one) => texts.get(one) ?? '';
}

/** Those who read the same as somebody with another place. */
function confused<One extends Placed>(all: readonly One[], texts: ReadonlyMap<Placed, string>): readonly One[] {
  const places = new Map<string, Set<number>>();
  for (const one of all) {
    const text = texts.get(one) ?? '';
    if (one.place !== null) places.set(text, (places.get(text) ?? new Set()).add(one.place));
  }
  return all.filter((one) => one.place !== null && (places.get(texts.get(one) ?? '')?.size ?? 0) > 1);
}

function digitsMax([one]: readonly Placed[], ranking: Ranking): number {
  if (ranking === 'share') return SHARE_DIGITS;
  // Distances are known to a decimetre, and are written that way.
  return one?.margin?.margin_ms == null ? 1 : SECONDS_DIGITS;
}

function textOf({ margin, target, shown }: Placed, ranking: Ranking, digits: number): string {
  if (margin === null) return '';
  if (digits === 1) return marginText(margin, ranking);
  if (ranking === 'amount' && margin.margin_ms !== null) return signed(margin.margin_ms / 1_000, digits, 's');
  return signed(percent(margin, target ?? null, shown ?? null), digits, '%');
}

function percent({ margin_ppm }: Margin, target: Target | null, shown: Target | null): number {
  if (target?.want === 'finish' && shown?.want === 'finish') return (100 * (target.finish_ms - shown.finish_ms)) / target.finish_ms;
  if (target?.want === 'distance' && shown?.want === 'distance') return (100 * (shown.distance_dm - target.distance_dm)) / target.distance_dm;
  return margin_ppm / 10_000;
}

/** What rounds to zero has no sign. */
function signed(amount: number, digits: number, unit: string): string {
  const text = Math.abs(amount).toFixed(digits);
  return `${!/[1-9]/.test(text) ? '' : amount < 0 ? '−' : '+'}${text} ${unit}`;
}
