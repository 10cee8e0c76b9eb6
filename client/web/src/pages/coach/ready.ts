// Before the start: what is missing for whom, and how many are ready.
import { coachBefore as texts } from '#texts';
import type { AthleteView } from '../../protocol/decode';
import { durationText } from '../../ui/format';

/** A countdown that may be off by more than this is worth mentioning. */
const CLOCK_BOUND_MS = 100;

/** What is missing before a start, the biggest obstacle first; empty: ready. */
export function missingOf({ spec, aim, doing, cautions_read, machine, clock_bound_ms, heart_rate, question, today }: AthleteView): readonly string[] {
  if (today === 'not_today') return [];
  const asked = question?.says ?? '';
  const says = texts.missing;
  const target = [...(aim.target === null && today !== 'easy' ? [says.target] : []), ...(asked === '' ? [] : [asked])];
  if (doing === 'away') return [says.here, ...target];
  const missing: string[] = [];
  if (!cautions_read) missing.push(says.cautions);
  if (machine === null) missing.push(says.machine);
  missing.push(...target);
  if (clock_bound_ms === null) missing.push(says.clock);
  else if (clock_bound_ms > CLOCK_BOUND_MS) missing.push(says.clockBound(durationInWords(clock_bound_ms)));
  if (spec.heart_limit_bpm !== null && !heart_rate) missing.push(says.heartRate(spec.heart_limit_bpm));
  return missing;
}

function durationInWords(ms: number): string {
  return ms < 60_000 ? texts.missing.seconds(ms / 1_000) : durationText(ms);
}

/** How many of everybody are ready. */
export function readyText(ready: number, all: number): string {
  if (all === 0) return '';
  if (ready === 0) return texts.nobodyReady;
  return ready === all ? texts.allReady(all) : texts.othersReady(ready);
}
