// What a coach rules about results of a piece that is over: as it is typed, and as it reads.
import { coachResults } from '#texts';
import type { AthleteResult, Order, PieceView, Rulings, Target } from '../../protocol/decode';
import { targetText } from '../../ui/format';
import { readDistance, readTarget, readTime, type Read } from '../../ui/parse';

const texts = coachResults.rulings;

/** As it is typed. */
export interface Wanted {
  readonly athlete: string;
  readonly what: 'finish' | 'target' | 'unrank' | 'exclude';
  readonly typed: string;
  readonly reason: string;
}

/** The order that it is; a sentence when it cannot be read. */
export function readRuling(piece: PieceView, { athlete, what, typed, reason }: Wanted): Read<Order> {
  const of = { piece: piece.piece, athlete, reason: reason.trim() };
  if (of.reason === '') return { ok: false, says: texts.needsReason };
  switch (what) {
    case 'finish': {
      const isByTime = piece.spec.repeats[0]?.work.by === 'time';
      const read = isByTime ? readDistance(typed) : readTime(typed);
      if (!read.ok) return read;
      const finish = isByTime ? ({ want: 'distance', distance_dm: read.value } as const) : ({ want: 'finish', finish_ms: read.value } as const);
      return { ok: true, value: { do: 'correct_result', ...of, finish } };
    }
    case 'target': {
      const read = readTarget(typed);
      return read.ok ? { ok: true, value: { do: 'correct_target', ...of, target: read.value } } : read;
    }
    case 'unrank':
      return { ok: true, value: { do: 'unrank', ...of } };
    case 'exclude':
      return { ok: true, value: { do: 'exclude', ...of } };
    default:
      return what satisfies never;
  }
}

type Correction = NonNullable<Rulings['corrections']>[number];

/** A correction that stands: whose, what, why. */
export function correctionText(name: string, correction: Correction): string {
  switch (correction.corrected) {
    case 'finish':
      return texts.finishOf(name, targetText(correction.finish), correction.reason);
    case 'target':
      return texts.targetOf(name, correction.target === null ? null : targetText(correction.target), correction.reason);
    case 'unranked':
      return texts.unranked(name, correction.reason);
    case 'excluded':
      return texts.excluded(name, correction.reason);
    default:
      return correction satisfies never;
  }
}

type WouldBe = NonNullable<NonNullable<AthleteResult['ruling']>['would_be']>;

/** What strokes that came too late would have made of it. */
export function wouldBeText(name: string, { shown, place }: WouldBe): string {
  const rowed: Target | null = shown;
  return texts.wouldBe(name, rowed === null ? null : targetText(rowed), place);
}

/** What stands beside a result that a coach has ruled about, in few words each. */
export function ruledRemarks({ ruling }: AthleteResult): readonly string[] {
  if (ruling == null) return [];
  return [
    ...(ruling.unplaced == null ? [] : [texts.unplaced[ruling.unplaced]]),
    ...(ruling.measured == null ? [] : [texts.measured(ruling.measured.shown === null ? null : targetText(ruling.measured.shown))]),
    ...(ruling.target_before == null ? [] : [texts.targetBefore(ruling.target_before.target === null ? null : targetText(ruling.target_before.target))]),
  ];
}
