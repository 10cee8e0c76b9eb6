// Past results of the same piece as people type them: what was rowed and how many days ago, `7:06.2@9d+7:11@40d`.
import { coachPrepare } from '#texts';
import { LIMITS } from '../../../generated/known';
import type { PastResult } from '../../protocol/decode';
import { targetText } from '../../ui/format';
import { readTarget, type Read } from '../../ui/parse';

/** What the server accepts. */
const RESULTS_MAX = LIMITS.history_max;

/** Newest first, whatever order they were typed in; nothing typed means none. */
export function readPast(typed: string): Read<readonly PastResult[]> {
  if (typed.trim() === '') return { ok: true, value: [] };
  const parts = typed.split('+').map((part) => part.trim());
  if (parts.length > RESULTS_MAX) return no(coachPrepare.roster.longPast(RESULTS_MAX));
  const results: PastResult[] = [];
  for (const part of parts) {
    const [, rowed = '', days] = /^(.+?)\s*@\s*(\d{1,5})\s*d$/.exec(part) ?? [];
    const result = readTarget(rowed);
    // A pace is not a result: it does not say over what distance.
    if (days === undefined || !result.ok || result.value.want === 'pace') {
      return no(coachPrepare.roster.noPast(part));
    }
    results.push({ days_ago: Number(days), result: result.value });
  }
  return { ok: true, value: results.sort((a, b) => a.days_ago - b.days_ago) };
}

/** As it is typed. */
export function pastText(past: readonly PastResult[]): string {
  return past.map(({ days_ago, result }) => `${targetText(result)}@${days_ago}d`).join('+');
}

function no(says: string): { readonly ok: false; readonly says: string } {
  return { ok: false, says };
}
