// Figures that the athlete reads, beyond those that all pages share.
import type { Target } from '../../protocol/decode';
import { clockText, figure, targetText, timeText } from '../../ui/format';
import type { Way } from './course';

/** Whole metres, counting one that has begun. */
export function metres(dm: number): string {
  return String(Math.ceil(dm / 10));
}

/** What is left of the repeat, in whole metres or on the clock. */
export function leftText({ left, leftOfRepeat }: Way): string {
  return left.by === 'distance' ? figure(`${metres(leftOfRepeat.dm)} m`) : clockText(Math.ceil(leftOfRepeat.ms / 1_000));
}

/** A target while it is aimed for: `6:32`; with tenths only where they are aimed for. */
export function aimText(target: Target): string {
  return target.want === 'finish' ? timeText(target.finish_ms, 'if_any') : targetText(target);
}
