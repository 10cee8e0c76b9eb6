// The coach's page: a close look at one athlete.
import { numbers, tenths, units } from './language';

export const coachDetail = {
  all: (parts: readonly string[]) => units.format(parts),
  noTarget: 'no target',
  target: (target: string) => `target ${target}`,
  plan: (plan: string) => `plan ${plan}`,
  plans: { fast_start: 'fast start', negative_split: 'negative split', speeds: 'own speeds' },
  headingFor: (finish: string) => `heading for ${finish}`,
  chance: (percent: number) => `${percent} % chance`,
  close: 'Close [Esc]',
  pace: 'Pace',
  rate: 'Stroke rate',
  stroke: 'Metres per stroke',
  metres: (metres: number) => tenths.format(metres),
  perMinute: (rate: number) => numbers.format(rate),
  heartRate: 'Heart rate',
  limit: (bpm: number) => `limit ${bpm}`,
  late: 'The curves begin when this page was opened.',
} as const;
