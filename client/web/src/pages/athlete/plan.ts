// The plans that an athlete may choose from. Which speeds they mean is for the server to say.
import type { Plan } from '../../protocol/decode';

/** A plan that has a name. */
export type Named = Exclude<Plan['profile'], 'legs' | 'speeds'>;

/** The usual one first. */
export const CHOICES: readonly Named[] = ['even', 'fast_start', 'negative_split'];

/** Legs or speeds that only a coach types. */
export function isTyped({ profile }: Plan): boolean {
  return profile === 'legs' || profile === 'speeds';
}
