// The athlete's page.
import { numbers, plural, units } from './language';

export const athlete = {
  title: 'Row · Thole',
  moment: 'One moment',
  notLoaded: 'A part of this page could not be loaded. What you rowed is kept here. Reload the page when the server is back.',
  reload: 'Reload this page',
  connecting: 'Connecting',
  keepOpen: 'Keep this page open.',
  leave: 'Leave this seat to somebody else',
  offline: 'offline',
  /** The door. */
  door: 'Row with the group',
  code: 'Join code',
  exampleCode: 'KAMU RETA',
  wrongCode: (typed: string) => `“${typed}” cannot be a join code; those sound like KAMU RETA. Ask your coach to say it again.`,
  name: 'Your name, as your coach knows it',
  join: 'Join',
  byCode: 'I have a join code',
  byLink: 'I have a link of my own',
  pasteLink: 'Tap the link that your coach sent you; or copy it, and paste it here',
  openLink: 'Open it',
  wrongLink: 'This is not a whole link of your own. Copy all of it, from https to the end; or join by the code instead.',
  waiting: 'Waiting for your coach',
  otherName: 'Use another name',
  yours: (name: string) => `This device is ${name}’s: you will be let in at once.`,
  notYours: (name: string) => `This device is ${name}’s. What is rowed under another name does not count as theirs.`,
  /** What a coach who is asked to let somebody in reads as their device. */
  /** The server is away, or the link has ended. */
  keptHere: 'What you rowed is kept here, and is sent as soon as the server is back.',
  nothingLost: 'Nothing is lost.',
  notYet: 'Not connected yet',
  rowOnHere: 'If you are rowing, row on. Link your machine here, and every stroke is kept until the server is back.',
  ended: 'No longer connected',
  why: {
    broken: 'This page and the server do not understand each other. What you rowed is kept here; reload the page.',
    wrong: 'This link opens nothing here: it is incomplete, too old, or a newer one took its place.',
    replaced: 'You are connected from another device, which goes on.',
    seatTaken: 'You are connected on another device, or in another tab of this one.',
    closed: 'The session is closed. Your coach has everything that reached the server.',
    old: 'This page is older than the server. Reload it.',
    full: 'All places are taken just now. Close this page on your other devices, then reload it here.',
    tooOften: 'Too many wrong codes were tried here. Ask your coach for the code, then reload the page.',
    unreadable: 'The server cannot read this session just now. Keep this page open, and tell your coach.',
  },
  joinAnother: 'Join another session',
  seatTaken: 'Row here?',
  otherLeaves: 'If you row here, the other one leaves. Nothing that was rowed there is lost.',
  onePlace: 'There is one place for each athlete.',
  rowHere: 'Row here instead',
  askNew: 'Ask your coach for a new link: everything that reached the server is kept. If you have not rowed yet, the join code lets you in again.',
  /** What has to be done before rowing, or while it is rowed. */
  toDo: (what: readonly string[]) => `Still to do: ${units.format(what)}.`,
  missing: { cautions: 'read the cautions', target: 'set your target', machine: 'link your machine' },
  /** The machine. */
  demoRower: 'demo rower',
  /** What the coach reads as the athlete's machine. */
  demoMachine: 'demo rower (made up)',
  someMachine: 'rowing machine',
  /** The link to a machine or a strap: a few words, then what the matter is and what helps. */
  ways: { link: 'Link the machine', strap: 'Link a strap', release: 'Unlink it', bridge: 'Row through a bridge', demo: 'Try it with a demo rower' },
  link: {
    insecure: {
      short: 'not a secure page',
      says: 'Browsers give Bluetooth to secure pages alone, and this one is not. Ask your coach for the address that begins with https.',
    },
    // As of 2026 (MDN browser compatibility data).
    no_web_bluetooth: {
      short: 'no Bluetooth in this browser',
      says: 'This browser gives pages no Bluetooth. Chrome, Edge and Samsung Internet on Android do, and so do Chrome and Edge on Windows, macOS and ChromeOS. Firefox and Safari do not, nor does any browser on an iPhone or iPad. Open your link in one that does, or ask for a bridge.',
    },
    choosing: 'choosing',
    linking: 'linking',
    linked: 'linked',
    quiet: 'linked, no data yet',
    lost: 'link lost, reconnecting',
    cancelled: 'Nothing was picked. That is fine; link it whenever you like.',
    no_adapter: { short: 'Bluetooth is off', says: 'This device has no Bluetooth, or it is off. Switch it on and link again.' },
    blocked: {
      short: 'Bluetooth not allowed',
      says: 'The browser does not let this page use Bluetooth. Allow it in the settings of this page, then link again.',
    },
    no_answer: 'no answer',
  },
  rower: {
    none: 'no machine yet',
    idle: 'Wake the machine with a pull, then link it.',
    choosing: "Pick your machine in the browser's list. If no list comes up, check that Bluetooth is on.",
    linking: (name: string) => `Linking ${name || 'the machine'} …`,
    linked: (name: string) => `${name || 'The machine'} is linked.`,
    quiet: (name: string) => `${name || 'The machine'} is linked. A few light strokes show that it reports.`,
    lost: (name: string) => `The link to ${name || 'the machine'} is lost; this page reconnects by itself. The machine keeps counting, and no metre is lost.`,
    lostLong: (name: string) =>
      `${name || 'The machine'} does not answer yet; this page tries again every few seconds. Check that it is on and near. The machine keeps counting, and no metre is lost.`,
    no_answer: 'The machine does not answer. Wake it with a pull, come near, and check that no other phone holds it; then link again.',
    refused: { short: 'the machine said no', says: 'The machine answers, but does not hand out its data. Switch it off and on, then link again.' },
    wrong_machine: {
      short: 'not a rower',
      says: 'This does not report what a rowing machine does; bikes and treadmills stand in the same list. Pick another one.',
    },
  },
  noDistance: {
    short: 'linked, no distance',
    says: (name: string) =>
      `${name || 'The machine'} is linked, but does not say how far you row. Begin a workout on it; if nothing changes, row through a bridge.`,
  },
  strap: {
    none: 'no strap',
    idle: 'A strap is optional. Put it on, then link it.',
    choosing: "Pick your strap in the browser's list. If no list comes up, check that Bluetooth is on.",
    linking: (name: string) => `Linking ${name || 'the strap'} …`,
    linked: (name: string) => `${name || 'The strap'} is linked.`,
    quiet: (name: string) => `${name || 'The strap'} is linked. The first beats take a moment.`,
    lost: (name: string) => `The link to ${name || 'the strap'} is lost; this page reconnects by itself. Rowing goes on without it.`,
    lostLong: (name: string) =>
      `${name || 'The strap'} does not answer yet; this page tries again every few seconds. Check that it is on and near. Rowing goes on without it.`,
    no_answer: 'The strap does not answer. Put it on, come near, and check that no other phone holds it; then link again.',
    refused: { short: 'the strap said no', says: 'The strap answers, but does not hand out its data. Switch it off and on, then link again.' },
    wrong_machine: { short: 'not a strap', says: 'This device does not tell a heart rate. Pick another one.' },
  },
  spoken: 'Calls will be spoken.',
  /** While it is rowed: words beside figures, as short as possible. */
  target: (target: string) => `target ${target}`,
  pace: 'pace',
  rate: 'rate',
  left: 'left',
  repeat: 'repeat',
  sinceGo: 'time rowed',
  forTarget: 'for target',
  /** Instead of a target that nobody can reach any more: something rowed before. */
  forGoal: (goal: string) => `for ${goal}`,
  forTargetOf: (pace: string) => `pace for target *${pace}*`,
  forGoalOf: (goal: string, pace: string) => `pace for ${goal} *${pace}*`,
  headingTo: (finish: string) => `to ${finish}`,
  sides: { ahead: 'ahead', behind: 'behind', even: 'about on target' },
  /** All of a margin, for a screen reader. */
  margin: (whole: number, unit: 's' | 'm', side: 'ahead' | 'behind' | 'even', give: number | null) => {
    const much = `${numbers.format(whole)} ${unit === 's' ? plural(whole, { one: 'second', other: 'seconds' }) : plural(whole, { one: 'metre', other: 'metres' })}`;
    const says = side === 'even' ? 'about on target' : `${much} ${side}`;
    return give === null ? says : `${says}, give or take ${numbers.format(give)}`;
  },
  done: 'done',
  strokes: 'strokes',
  forStrokes: (call: string, strokes: number) => `${call} For ${numbers.format(strokes)} ${plural(strokes, { one: 'stroke', other: 'strokes' })}.`,
  rehearsal: 'rehearsal',
  faster: (what: string, speed: number) => `${what} × ${numbers.format(speed)}`,
  stop: 'Stop',
  rowOn: 'Row on',
  untilAll: 'until everybody has finished',
  thenNth: (nth: number, of: number) => `then ${numbers.format(nth)} of ${numbers.format(of)}`,
  thenWork: (nth: number, of: number, work: string) => `then ${numbers.format(nth)} of ${numbers.format(of)}: ${work}`,
  offlineKept: 'offline, everything is kept',
  /** Stopped, or home. */
  stopped: 'You have stopped.',
  areKept: (metres: string, time: string) => `${metres} in ${time}: what you rowed is kept.`,
  allRight: 'That is all right.',
  refusedStop: (why: string) => `The server did not accept it: ${why}`,
  willHear: 'Your coach will hear of it when the server is back.',
  isTold: 'Your coach is being told.',
  knows: 'Your coach knows.',
  notWell: 'Not feeling well? Tell somebody now.',
  home: 'Done.',
  onItsWay: 'Your result is on its way.',
  countsLater: 'The server is out of reach. All that you rowed is kept here, and counts when it is back.',
  /** What this device has of what was rowed. */
  keptMetres: (metres: string) => `${metres} that you rowed are kept on this device`,
  lostSending: 'The server had lost some of it. This page is sending it all again: keep it open.',
  lostSent: 'The server had lost some of it. It has all of it again.',
  save: 'Save it as a recording',
  saved: (file: string) => `Saved as ${file}, among your downloads.`,
  byNewLink:
    'Open a new link on this device, and the server gets what it does not have yet. If it has lost the session, save the recording and give it to your coach: the piece can be rowed again from the file.',
} as const;
