// How a result that lasts reads in a list.
import { club as texts, ui } from '#texts';
import type { Listed } from '../../protocol/club';
import { distanceText, marginText, targetText, timeText } from '../../ui/format';

/** The result as it is shown; of somebody who did not finish, what was rowed. */
export function resultText({ shown, outcome, distance_dm, time_ms }: Listed): string {
  if (shown !== null) return targetText(shown);
  return outcome === 'did_not_start' ? '' : `${distanceText(Math.floor(distance_dm / 10) * 10)} · ${timeText(time_ms)}`;
}

export function targetOf({ target }: Listed): string {
  return target === null ? '' : targetText(target);
}

/** In the unit of the piece: seconds or metres. */
export function marginOf({ margin }: Listed): string {
  return margin === null ? '' : marginText(margin, 'amount');
}

export function nameOf({ name, called }: Listed): string {
  return name ?? called ?? texts.unknownName;
}

export function pieceOf({ title, work }: Pick<Listed, 'title' | 'work'>): string {
  return title === '' ? work : ui.pieceTitle(title, work);
}

/** What a coach has ruled about it, in few words each. */
function ruled({ ruling }: Listed): readonly string[] {
  if (ruling === undefined) return [];
  const { unplaced, measured, target_before: before, would_be: late } = ruling;
  return [
    ...(unplaced == null ? [] : [texts.ruled.unplaced[unplaced]]),
    ...(measured == null ? [] : [texts.ruled.measured(measured.shown === null ? null : targetText(measured.shown))]),
    ...(before == null ? [] : [texts.ruled.targetBefore(before.target === null ? null : targetText(before.target))]),
    ...(late == null ? [] : [texts.ruled.wouldBe(late.shown === null ? null : targetText(late.shown))]),
  ];
}

/** What the reader should know, in few words each. */
export function remarksOf(result: Listed): readonly string[] {
  const { outcome, marks, source, ruling } = result;
  return [
    ...ruled(result),
    ...(outcome === 'finished' ? [] : [ui.outcome[outcome]]),
    ...(source === 'typed' || source === 'imported' ? [texts.source[source]] : []),
    ...marks.filter((mark) => mark !== 'unranked' || ruling?.unplaced == null).map((mark) => texts.marks[mark]),
  ];
}
