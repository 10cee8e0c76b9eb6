// The board.
import { numbers, plural, tenths } from './language';

export const board = {
  title: 'Board · Thole',
  away: 'What you see is how things stood last.',
  incomplete: 'This link is incomplete',
  askWhole: 'The part after the # is missing. Ask the coach for the whole link to the board.',
  opensNothing: 'This link opens nothing here',
  askNew: 'Ask the coach for a new link to the board.',
  connecting: 'Connecting',
  calledBack: 'Called back to the start',
  closed: 'This session is closed.',
  noPiece: 'No piece is set yet',
  /** Before the start. */
  howToJoin: 'How to join',
  qr: 'QR code of the address to join at',
  thisComputer: "This address works on this computer alone. Open the board by the computer's name on the network, and phones will find it, too.",
  whoIsHere: 'Who is here',
  nobody: 'Nobody is here yet.',
  ready: { linked: 'machine linked', here: 'here', away: 'not here yet' },
  counts: {
    linked: (count: number) => `*${numbers.format(count)}* ${plural(count, { one: 'machine linked', other: 'machines linked' })}`,
    here: (count: number) => `*${numbers.format(count)}* here`,
    away: (count: number) => `*${numbers.format(count)}* not here yet`,
  },
  /** The block at the top. */
  thePiece: 'The piece',
  then: (work: string) => `then ${work}`,
  areIn: (home: number, rowing: number) =>
    `${numbers.format(home)} of ${numbers.format(rowing)} finished`,
  kept: 'What was rowed is kept.',
  teams: 'Teams',
  /** Between two pieces. */
  teamsOf: (piece: string) => `Teams, ${piece}`,
  stage: (repeat: string, work: string) => `${repeat} × ${work}`,
  /** The focus call; the number is beside it, large. */
  call: 'Focus call',
  callOver: 'Focus call, over',
  strokesLeft: (strokes: number) => plural(strokes, { one: 'stroke left', other: 'strokes left' }),
  timeLeft: 'left',
  /** The field. */
  field: 'The field',
  results: 'Results',
  ownTarget: 'own target',
  nobodyApart: 'everyone is on target',
  ahead: (count: number) => `*${numbers.format(count)}* ahead`,
  behind: (count: number) => `*${numbers.format(count)}* behind`,
  fromTo: (first: number, last: number, of: number) => `${numbers.format(first)} to ${numbers.format(last)} of ${numbers.format(of)}`,
  paler: 'paler: less sure',
  hasCall: 'Has the call:',
  /** Where a number would stand. */
  instead: { settling: 'settling', missed: 'missed repeats', untargeted: '', unheard: 'no signal', here: 'here', stopped: 'stopped', away: '', unranked: 'out of competition', excluded: 'excluded' },
  best: (counted: number) => `best ${numbers.format(counted)}`,
  /** What the screen is set to. */
  settings: 'Screen settings',
  screen: 'This screen',
  diagonal: 'Diagonal in inches',
  distance: 'Farthest reader in metres',
  wanted: (least: number, most: number) => `Enter a number from ${numbers.format(least)} to ${numbers.format(most)}.`,
  noWholeScreen: (why: string) => `The browser does not allow the full screen (${why}).`,
  wholeScreen: 'Full screen',
  done: 'Done',
  tooFar: (metres: number) => `The letters are as large as they can be: read them from ${tenths.format(metres)} m or nearer, or use a larger screen.`,
  awake: {
    on: 'The screen is kept on.',
    insecure: 'This page may not keep the screen on, because it did not come over HTTPS. Switch off the sleep of the screen itself.',
    unable: 'This browser cannot keep the screen on. Switch off the sleep of the screen itself.',
    hidden: 'The screen may go off while this page is hidden.',
    refused: (why: string) => `The browser does not keep the screen on (${why}).`,
  },
} as const;
