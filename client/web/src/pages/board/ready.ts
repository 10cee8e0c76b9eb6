// Who is there and ready, for the board of those who wait.
import type { AthleteView } from '../../protocol/decode';

export type Readiness = 'ready' | 'here' | 'away';

/** Ready: connected, the cautions read, and something linked that is rowed on. */
export function readiness({ doing, cautions_read, machine }: AthleteView): Readiness {
  if (doing === 'away') return 'away';
  return cautions_read && machine !== null ? 'ready' : 'here';
}

export function readinessText(readiness: Readiness): string {
  switch (readiness) {
    case 'ready':
      return 'ready';
    case 'here':
      return 'getting ready';
    case 'away':
      return 'not here yet';
    default:
      return readiness satisfies never;
  }
}
