// The plans that an athlete may choose among, in plain words. Which speeds they mean is the server's to say.
import type { Plan } from '../../protocol/decode';

/** A plan that has a name. */
export type Named = Exclude<Plan['profile'], 'legs' | 'speeds'>;

export interface Choice {
  readonly profile: Named;
  readonly title: string;
  readonly says: string;
}

/** The usual one first. */
export const CHOICES: readonly Choice[] = [
  { profile: 'even', title: 'Even', says: 'One pace all the way. The usual choice.' },
  { profile: 'fast_start', title: 'Quick first', says: 'A fast start, then settle, and a lift at the end.' },
  { profile: 'negative_split', title: 'Slower first', says: 'Hold back at first, and row the second half faster.' },
];

/** Legs or speeds that only a coach types. */
export function isTyped({ profile }: Plan): boolean {
  return profile === 'legs' || profile === 'speeds';
}
