// A small curve: what range it draws, and its path in a box of 200 by 60.

export type Points = readonly (readonly [number, number | null])[];

export interface Range {
  readonly low: number;
  readonly high: number;
}

const WIDTH = 200;
const HEIGHT = 60;
/** Share of the numbers at each end that the range leaves out: otherwise the first strokes would flatten all others. */
const TAIL = 0.08;

/** From the lowest to the highest usual number, including what it is compared with, and some air. */
export function spread(points: Points, against: readonly number[]): Range {
  const numbers = points.flatMap(([, number]) => number ?? []).sort((a, b) => a - b);
  const usual = numbers.slice(Math.floor(numbers.length * TAIL), Math.max(1, Math.ceil(numbers.length * (1 - TAIL))));
  const ends = [usual[0], usual.at(-1), ...against].flatMap((end) => end ?? []);
  const [low, high] = [Math.min(...ends), Math.max(...ends)];
  if (!Number.isFinite(low)) return { low: 0, high: 1 };
  const air = Math.max((high - low) * 0.15, Math.abs(high) * 0.01, 0.5);
  return { low: low - air, high: high + air };
}

/** A line that breaks where nothing is known, from the start to `length`. */
export function curvePath(points: Points, length: number, { low, high }: Range, upside: 'more' | 'less'): string {
  let pen = 'M';
  const steps: string[] = [];
  for (const [at, number] of points) {
    if (number === null) {
      pen = 'M';
      continue;
    }
    const share = Math.max(0, Math.min(1, (number - low) / (high - low)));
    const y = HEIGHT * (upside === 'more' ? 1 - share : share);
    steps.push(`${pen}${((at / length) * WIDTH).toFixed(1)} ${y.toFixed(1)}`);
    pen = 'L';
  }
  return steps.join('');
}
