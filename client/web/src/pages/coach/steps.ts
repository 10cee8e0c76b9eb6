// What has to be prepared, in the order in which it is done, and whether it is.
import { currentPiece, isOver, type Session } from '../../session/reduce';

export const STEPS = ['roster', 'pieces', 'targets', 'calls', 'share'] as const;
export type StepName = (typeof STEPS)[number];

export function stepsDone(session: Session): Readonly<Record<StepName, boolean>> {
  const { athletes } = session;
  const piece = currentPiece(session);
  const comes = piece !== null && !isOver(piece.phase);
  const all = (is: (view: Session['athletes'][number]) => boolean) => athletes.length > 0 && athletes.every(is);
  return {
    roster: athletes.length > 0,
    pieces: comes,
    targets: comes && all(({ aim }) => aim.target !== null),
    // Nine come with the page.
    calls: true,
    share: all(({ doing }) => doing !== 'away'),
  };
}
