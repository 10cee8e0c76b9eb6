// The page of whoever rows: last result, all of them, devices, data.
import { conjunction, plural, numbers, when } from './language';

type AttendanceState = 'came' | 'home' | 'late' | 'excused' | 'absent';

/** How often somebody was what. */
const TIMES: Readonly<Record<AttendanceState, (count: number) => string>> = {
  came: (count) => `came to ${plural(count, { one: 'one session', other: `${numbers.format(count)} sessions` })}`,
  late: (count) => `came later to ${numbers.format(count)}`,
  home: (count) => `rowed ${numbers.format(count)} at home`,
  excused: (count) => `excused ${numbers.format(count)}`,
  absent: (count) => `missed ${numbers.format(count)}`,
};

/** What the server calls what somebody has read or taken along. */
const LOOKED_AT: Readonly<Record<string, string>> = {
  'export of people': 'saved the table of all people',
  'export of results': 'saved the table of all results',
};

export const me = {
  documentTitle: (name: string) => (name === '' ? 'My rowing · Thole' : `${name} · Thole`),
  heading: 'My rowing',
  row: 'Row',
  tonight: {
    heading: 'Open now',
    line: (title: string, by: string) => `${title === '' ? 'A session' : title}${by === '' ? '' : `, led by ${by}`}`,
    comeIn: 'Come in',
    comeInTo: (title: string) => `Come in to ${title}`,
  },
  loading: 'Loading …',
  again: 'Try again',
  back: 'All my rowing',
  needsCard: 'This device belongs to nobody yet. Ask your coach for a card, and scan it with this device.',
  ended: 'This device was ended, or its card is no longer good. Ask your coach for a new card.',
  card: {
    heading: 'Your card',
    why: 'It works for one device, once. Use it on the phone or tablet that you row with: from then on it comes in by itself.',
    another: 'This device belongs to somebody already. If you use the card, it belongs to whoever is on the card.',
    device: 'What you call this device',
    use: 'Use it on this device',
  },
  last: 'The last one',
  all: 'All of mine',
  nothingYet: 'Nothing of yours yet. What you row under your own name on this device comes here, and so does whatever your coach says is yours.',
  against: (target: string, margin: string) => (margin === '' ? `Target ${target}` : `Target ${target}, ${margin}`),
  older: (count: number) => `These are the newest ${count}.`,
  effort: {
    ask: 'How hard was it?',
    /** What each number means, of 0 to 10. */
    words: ['not at all', 'hardly', 'easy', 'steady', 'brisk', 'firm', 'demanding', 'hard', 'very hard', 'nearly all I had', 'all I had'],
    said: (felt: number, word: string) => `${felt}: ${word}`,
    takeBack: 'I would rather not say',
    kept: 'Kept. Your coach sees it with this result.',
    takenBack: 'Taken back.',
  },
  notes: {
    heading: 'From your coach',
    line: (by: string, at: number, toGroup: boolean) => `${by}, ${when(at)}${toGroup ? ', to all in your group' : ''}`,
  },
  attendance: (counts: readonly (readonly [AttendanceState, number])[]) => `So far: ${conjunction.format(counts.map(([state, count]) => TIMES[state](count)))}.`,
  devices: {
    heading: 'My devices',
    why: 'Each of these comes in as you. End what you no longer have.',
    none: 'No device has a key of yours.',
    endOthers: 'End all but this one',
    forget: 'This device is not mine',
  },
  leaving: {
    heading: 'Leave the club',
    more: 'Delete all that is mine',
    what: 'Your name, results, strokes, devices and cards are deleted here after seven days. Until then nobody but you sees them, and you can keep them after all.',
    stays: 'Places of others stay as they were: where you stood, somebody stands. Save your data first if you want it.',
    sure: 'I want all of it deleted',
    ask: 'Delete it in seven days',
    asked: (at: number) => `All that is yours is deleted on ${when(at)}.`,
    until: (at: number, by: string) => `${by === '' ? 'As you asked, all' : `${by} has asked for it: all`} that is yours is deleted on ${when(at)}. Until then nobody else sees it.`,
    keep: 'Keep it after all',
    kept: 'Nothing is deleted. All is as it was.',
  },
  data: {
    heading: 'My data',
    why: 'All that the club keeps about you is yours to take along. Save it where nobody else reads it.',
    all: 'Save everything',
    table: 'Save my results as a table',
    looks: 'Who took a copy',
    nobody: 'Nobody has saved a table with your results.',
    look: (at: number, who: string, what: string, ofEverybody: boolean) => `${when(at)}: ${who} ${LOOKED_AT[what] ?? `looked at ${what}`}${ofEverybody ? ', yours among it.' : '.'}`,
  },
} as const;
