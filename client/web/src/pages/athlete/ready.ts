// What an athlete still has to do before rowing.
import { athletePrepare as texts } from '#texts';
import { athlete, currentPiece, isUnderWay, type Session } from '../../session/reduce';

/** In the order of the page. */
export type Missing = 'cautions' | 'machine' | 'rehearsal' | 'target' | 'clock';

export function missing(session: Session, has: { cautions: boolean; machine: boolean; rehearsed: boolean; clock: boolean }): Missing[] {
  const piece = currentPiece(session);
  // Once it is rowed there is no time to rehearse, and no target to be set.
  const begun = piece !== null && isUnderWay(piece.phase);
  const target = session.you === null ? null : (athlete(session, session.you)?.aim.target ?? null);
  return [
    ...(has.cautions ? [] : (['cautions'] as const)),
    ...(target !== null || piece === null || begun ? [] : (['target'] as const)),
    ...(has.machine ? [] : (['machine'] as const)),
    ...(has.rehearsed || !has.machine || begun ? [] : (['rehearsal'] as const)),
    ...(has.clock ? [] : (['clock'] as const)),
  ];
}

/** As it stands in a list of what is still to be done. */
export function missingText(what: Missing): string {
  return texts.missing[what];
}
