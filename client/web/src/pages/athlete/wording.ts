// Figures that the athlete reads, beside those that all pages share.
import { clockText, figure } from '../../ui/format';
import type { Way } from './course';

/** Whole metres, the one that is begun included. */
export function metres(dm: number): string {
  return String(Math.ceil(dm / 10));
}

/** What is left of the repeat, in whole metres or on the clock. */
export function leftText({ left, leftOfRepeat }: Way): string {
  return left.by === 'distance' ? figure(`${metres(leftOfRepeat.dm)} m`) : clockText(Math.ceil(leftOfRepeat.ms / 1_000));
}
