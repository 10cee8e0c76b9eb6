// Everything the pages say, in English, one section a page. A sentence with a number or a name in it is a function that
// takes them; how many there are decides the form by `plural`. `#texts` is this file, or that of the language a build is
// made for: another language is another file of the same shape (`shape.ts`), and no page is touched.
// Drawn by `ui/Rich.svelte`, what stands between asterisks is strong, and in brackets stands a key of the keyboard:
// `*The piece has begun.* Hold [Space]`. Times, paces, distances and margins come as the trade writes them
// (`ui/format.ts`); numbers, names and lists are written here, as the language does.
import { pluralOf } from './plural';

const LANGUAGE = 'en-GB';
/** The language as browsers name it, and to which side it is written. */
export const language = { tag: LANGUAGE, direction: 'ltr' } as const;

const plural = /* @__PURE__ */ pluralOf(LANGUAGE);
const conjunction = /* @__PURE__ */ new Intl.ListFormat(LANGUAGE, { type: 'conjunction' });
const units = /* @__PURE__ */ new Intl.ListFormat(LANGUAGE, { type: 'unit' });
const numbers = /* @__PURE__ */ new Intl.NumberFormat(LANGUAGE, { maximumFractionDigits: 1 });
const tenths = /* @__PURE__ */ new Intl.NumberFormat(LANGUAGE, { minimumFractionDigits: 1, maximumFractionDigits: 1 });

/** Said by more than one page. */
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
    unheard: 'not heard to the end',
    did_not_start: 'did not start',
  },
  pieceTitle: (title: string, piece: string) => `${title}, ${piece}`,
  /** Which of some repeats, pages, strokes. */
  nthOf: (nth: number, of: number) => `${numbers.format(nth)} of ${numbers.format(of)}`,
  rehearsal: (speed: number) => `Rehearsal: ${numbers.format(speed)} times faster than real life`,
  away: 'The server is away.',
  comesBack: 'This page reconnects by itself.',
  ended: 'Not connected any more.',
  newer: '*There is a newer version of this page.* It loads when no piece is under way.',
  hold: 'Hold for one second.',
  noQr: 'The QR code could not be drawn; use the link.',
  colours: 'Colours',
  themes: { light: 'Light', dark: 'Dark', device: 'Same as this device' },
  /** Why there is no connection, when the server has not said it. */
  lost: {
    noAnswer: 'The server did not answer in time.',
    silent: 'Nothing was heard from the server for a while.',
    closed: 'The connection to the server was lost.',
  },
} as const;

/** What was typed cannot be read; the program for the command line says the same. */
export const parse = {
  noUnit: (typed: string) => `"${typed}" has no unit; for seconds type ${typed}s, or a time like 1:15.`,
  time: (typed: string) => `"${typed}" is no time; type one like 1:15, 75s or 12min.`,
  distance: (typed: string) => `"${typed}" is no distance; type one like 1700m or 5km.`,
  target: (typed: string) => `"${typed}" is no target; type a finish (6:31.5), a pace (1:52.4/500m) or a distance (4120m).`,
  extent: (typed: string) => `"${typed}" is neither a distance nor a time; type one like 350m or 4min.`,
  piece: (typed: string) => `"${typed}" is no piece; type one like 1700m, 12min, 6x350m/1:15 or 3x4x500m/1:00/4:00.`,
  mixed: (typed: string) => `"${typed}" mixes distances and times; a piece is all by distance or all by time.`,
  tooMany: (typed: string, most: number) => `"${typed}" has more than ${numbers.format(most)} repeats; a piece has at most ${numbers.format(most)}.`,
  nothing: (typed: string) => `"${typed}" repeats nothing; begin with 1x or more.`,
  rests: (typed: string) => `"${typed}" has more rests than it needs; two are for sets, as in 3x4x500m/1:00/4:00.`,
  noRest: (typed: string) => `"${typed}" has no rest; put it behind a slash, as in ${typed}/1:15.`,
} as const;

/** The athlete's page. */
export const athlete = {} as const;

/** The board. */
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
  /** The block on top. */
  thePiece: 'The piece',
  then: (work: string) => `then ${work}`,
  areIn: (home: number, rowing: number) =>
    `${numbers.format(home)} of ${numbers.format(rowing)} ${plural(home, { one: 'is in', other: 'are in' })}`,
  kept: 'What was rowed is kept.',
  teams: 'Teams',
  stage: (repeat: string, work: string) => `${repeat} × ${work}`,
  /** The focus call; the number stands beside it, large. */
  call: 'Focus call',
  callOver: 'Focus call, over',
  strokesLeft: (strokes: number) => plural(strokes, { one: 'stroke left', other: 'strokes left' }),
  timeLeft: 'left',
  gained: (of: number) => `of ${numbers.format(of)} gained`,
  /** The field. */
  field: 'The field',
  results: 'Results',
  ownTarget: 'own target',
  nobodyApart: 'nobody is ahead or behind',
  ahead: (count: number) => `*${numbers.format(count)}* ahead`,
  behind: (count: number) => `*${numbers.format(count)}* behind`,
  fromTo: (first: number, last: number, of: number) => `${numbers.format(first)} to ${numbers.format(last)} of ${numbers.format(of)}`,
  paler: 'paler: less sure',
  hasCall: 'Has the call:',
  notHeard: 'not heard',
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

/** The coach's page. */
export const coach = {} as const;

/** Its parts that are seldom needed come with their texts: preparing, results, keys. */
export const coachPrepare = {} as const;
export const coachResults = {} as const;
export const coachKeys = {} as const;
