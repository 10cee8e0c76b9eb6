// What of a piece a coach should look at before its places become official.
import { club as texts, ui } from '#texts';
import type { Listed } from '../../protocol/club';

/** Farther from the own target than this, the target was probably meant for another piece (common practice, no source). */
const FAR_OFF_PPM = 80_000;

export interface Unsettled {
  readonly result: Listed;
  readonly why: readonly string[];
}

export function unsettled(results: readonly Listed[]): readonly Unsettled[] {
  return results.map((result) => ({ result, why: reasons(result) })).filter(({ why }) => why.length > 0);
}

function reasons({ outcome, marks, margin }: Listed): readonly string[] {
  const percent = (margin?.margin_ppm ?? 0) / 10_000;
  return [
    ...(outcome === 'finished' || outcome === 'did_not_start' ? [] : [ui.outcome[outcome]]),
    ...marks.map((mark) => texts.marks[mark]),
    ...(Math.abs(percent) * 10_000 > FAR_OFF_PPM ? [texts.after.farOff(percent)] : []),
  ];
}
