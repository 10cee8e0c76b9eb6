// Who is there, for the board in front of those who wait. Anything about health, such as cautions that are not accepted
// yet, is between athlete and coach: the board is not told.
import type { AthleteView } from '../../protocol/decode';

export type Readiness = 'linked' | 'here' | 'away';

export function readiness({ doing, machine }: AthleteView): Readiness {
  if (doing === 'away') return 'away';
  return machine === null ? 'here' : 'linked';
}
