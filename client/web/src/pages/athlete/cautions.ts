// What everybody reads before rowing hard: the words of the program for the command line (a test compares
// them). Never shown over a result.

export const CAUTIONS: readonly string[] = [
  'Row at a level that suits your health. New to hard exercise, or with a condition of heart, lungs, kidneys or blood sugar? Talk to a doctor first.',
  'Stop at once and tell someone if you feel pain or pressure in the chest, arm, neck or jaw, faint, sick, an odd heartbeat, or far more breathless than the work explains.',
  'Ease off or stop for sharp pain in back or ribs. Pain that changes how you row is a reason to stop.',
  'Hot room? Slow down, drink when thirsty, open a window. Confusion or chills mean stop, cool down and call for help.',
  "Pregnant, or gave birth lately? Follow your midwife's or doctor's advice.",
  'Under 18: short pieces, good technique first, and an adult in charge.',
  'At home alone? Keep a phone within reach, and tell the coach if you stop early.',
  'You can stop or leave at any moment, without giving a reason. How you feel decides, not a number.',
];

/** What an athlete agrees to by passing heart rate on. */
export const HEART_RATE = 'Your heart rate is passed on to your coach and to nobody else, until you take that back.';

/** Which wording of `HEART_RATE` was read: the server keeps it with the consent. */
export const HEART_RATE_WORDING = 1;
