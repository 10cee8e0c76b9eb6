// Said by more than one page.
import { numbers } from './language';

export const ui = {
  phase: {
    gathering: 'Getting ready',
    armed: 'Ready to start',
    counting: 'Starting in',
    rowing: 'Rowing',
    resting: 'Rest',
    closing: 'Finishing',
    finished: 'Finished',
    stopped: 'Stopped by the coach',
  },
  doing: { away: 'away', here: 'here', rowing: 'rowing', stopped: 'stopped', finished: 'finished' },
  outcome: {
    finished: 'finished',
    stopped: 'stopped',
    unfinished: 'unfinished',
    unheard: 'signal lost',
    did_not_start: 'did not start',
  },
  /** For those about whom nothing is projected, and who have no place. */
  missedRepeats: 'missed repeats',
  pieceTitle: (title: string, piece: string) => `${title}, ${piece}`,
  /** Which of some repeats, pages, strokes. */
  nthOf: (nth: number, of: number) => `${numbers.format(nth)} of ${numbers.format(of)}`,
  rehearsal: (speed: number) => `Rehearsal: ${numbers.format(speed)} times faster than real time`,
  away: 'The server is out of reach.',
  comesBack: 'This page reconnects by itself.',
  ended: 'No longer connected.',
  newer: '*There is a newer version of this page.* It loads when no piece is under way.',
  hold: 'Hold for one second.',
  someBrowser: 'A browser',
  browser: (system: string) => `${system} browser`,
  noQr: 'The QR code could not be drawn; use the link.',
  colours: 'Colours',
  themes: { light: 'Light', dark: 'Dark', device: 'Same as this device' },
  /** Why there is no connection, when the server has not said why. */
  lost: {
    noAnswer: 'The server did not answer in time.',
    silent: 'The server has been silent for a while.',
    closed: 'The connection to the server was lost.',
  },
} as const;
