// The athlete's page before the piece: a part loaded together with its texts.
import { numbers } from './language';

export const athletePrepare = {
  before: (became: string) => `*Last piece:* ${became}`,
  where: (session: string, code: string) => `${session}, ${code}`,
  whereTeam: (session: string, code: string, team: string) => `${session}, ${code}, ${team}`,
  closed: '*The session is closed.* You can close this page.',
  calledBack: '*Called back.* Everybody starts again together. Sit still until the next countdown.',
  begun: '*The piece has begun.* You can still row.',
  begunByClock: '*The piece has begun.* You can still row; the clock has been running since the start.',
  sitReady: '*Sit ready:* your coach may start at any moment. You can row then, whatever is still to do.',
  readyNoPiece: '*You are all set so far.* Your coach has not set a piece yet; your target comes last.',
  telling: '*Telling your coach …* When the server has it, you are ready.',
  clock: '*Setting the clock,* which takes a moment. You can row all the same.',
  readyButHeart: '*You are ready, but for your heart rate.* Whether you pass it on is up to you.',
  startsIn: (seconds: number) => `*Starting in ${numbers.format(seconds)}.*`,
  back: 'Back to rowing',
  readyArmed: '*You are ready.* Take the handle: the count may come at any moment.',
  ready: '*You are ready.* Your coach starts everybody together.',
  readyEasy: '*You are ready, easy today.* You have no place and get no calls; nobody asks why.',
  notToday: '*Not today.* Nobody waits for you, and nobody asks why. Choose otherwise when you want to row.',
  /** The three ways to be ready. */
  howToday: 'How you row today',
  today: { as_usual: 'Row as usual', easy: 'Easy today', not_today: 'Not today' },
  notTold: (why: string) => `Your coach was not told that you are ready: ${why}`,
  heartLimit: (bpm: number) =>
    `Your coach wants to see that your heart rate stays under ${numbers.format(bpm)}, and cannot until you pass it on, further down.`,
  beforeYouRow: 'Before you row',
  read: 'read',
  canHurt: 'Rowing hard can hurt. Read this before you row.',
  /** The words of the command-line program (a test compares them); never shown over a result. */
  cautions: [
    'Row at a level that suits your health. New to hard exercise, or with a condition of heart, lungs, kidneys or blood sugar? Talk to a doctor first.',
    'Stop at once and tell someone if you feel pain or pressure in the chest, arm, neck or jaw, faint, sick, an odd heartbeat, or far more breathless than the work explains.',
    'Ease off or stop for sharp pain in back or ribs. Pain that changes how you row is a reason to stop.',
    'Hot room? Slow down, drink when thirsty, open a window. Confusion or chills mean stop, cool down and call for help.',
    "Pregnant, or gave birth lately? Follow your midwife's or doctor's advice.",
    'Under 18: short pieces, good technique first, and an adult in charge.',
    'At home alone? Keep a phone within reach, and tell the coach if you stop early.',
    'You can stop or leave at any moment, without giving a reason. How you feel decides, not a number.',
  ],
  forSome: 'Read this, too, as far as it is about you:',
  haveRead: 'I have read this, and I will take care',
  yourTarget: 'Your target',
  noAims: 'The fields for your target could not be loaded; reload this page when the server is back.',
  yourMachine: 'Your machine',
  ifYouLike: 'If you like',
  noDisk: 'This browser keeps nothing on its disk. Do not reload this page while you row.',
  noShell: 'This browser cannot open the page again while the server is out of reach. Do not reload it while you row.',
  awake: {
    insecure:
      'This page cannot keep the screen on, nor open again while the server is out of reach, since its address does not begin with https. Set your device to sleep later, or ask your coach for an address that does.',
    none: 'This browser cannot keep the screen on. Set your device to sleep later.',
    refused: 'This device does not let the page keep the screen on: the battery may be low. Set it to sleep later.',
  },
  /** The machine, and ten strokes to try it. */
  demo: '*Demo rower: nobody rows, the numbers are made up.* Your coach sees that, too.',
  demoAway: 'Send the demo rower away',
  bridge:
    'A small computer beside the machine can pass it on: a bridge. Whoever looks after the gym sets it up, for several machines at once. It then sits in your place, and this page is not needed.',
  rowOnKept: '*Row on as you are.* What you row is kept on this device.',
  arrive: '*Your strokes are coming through.*',
  tenStrokes: '*Row ten easy strokes* to see that they come through.',
  metres: 'metres',
  per500: '500 m in',
  /** What nobody needs. */
  speakCalls: 'Speak the calls. For rowing at home, or with earphones.',
  onScreen: 'Show me on the board as',
  onBoard: { name: 'my name, in full where it fits', short: 'my first name and an initial', hidden: 'an athlete without a name' },
  notTaken: (why: string) => `Not accepted: ${why}`,
  passHeartRate: 'Pass my heart rate on.',
  /** What is agreed to by that, as in the command-line program; another wording needs another number (`consent.ts`). */
  heartRate: 'Your heart rate is passed on to your coach and to nobody else, until you take that back.',
} as const;
