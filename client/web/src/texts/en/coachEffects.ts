// The coach's page: what changed after each call.
import { numbers } from './language';

export const coachEffects = {
  heading: 'After each call',
  early: 'being measured',
  unseen: 'too little rowed to tell',
  fasterOf: (faster: number, of: number) => `${faster} of ${of} faster than before`,
  rate: (change: string) => `rate ${change}`,
  together: (parts: readonly string[]) => parts.join('; '),
  speed: (change: string) => `speed ${change} %`,
  stroke: (change: string) => `Metres per stroke ${change} %.`,
  notJudged: 'Measured, not judged: other things change during a piece, too.',
  interval: 'Four times in five the true change lies within the ±.',
  againstNobody: 'Too few rowed without the call to compare with: part of the change may be how the piece goes for everyone.',
  against: (others: number) => `Compared with ${numbers.format(others)} who did not get the call.`,
  none: 'No call went out in this piece.',
  takenBack: 'ended early: not measured',
} as const;
