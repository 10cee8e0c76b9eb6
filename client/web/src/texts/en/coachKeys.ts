// The coach's page: keys and colours.
import { numbers } from './language';

export const coachKeys = {
  heading: 'Keys and colours',
  single: 'Single-key shortcuts',
  usual: 'The usual keys',
  close: 'Close',
  pad: 'The pad',
  cards: 'Cards',
  others: 'Whom for, and when',
  call: ['the first call', 'the second call', 'the third call', 'the fourth call', 'the fifth call', 'the sixth call', 'the seventh call', 'the eighth call', 'the ninth call'],
  card: ['the first card', 'the second card', 'the third card', 'the fourth card'],
  all: 'calls to all',
  behind: 'calls to those behind',
  more: 'the next nine calls',
  sendNow: 'sending at once',
  takeBack: 'taking back',
  also: (task: string, key: string) => `${task}; also ${key}`,
  changeIt: (key: string, task: string) => `${key}, the key for ${task}: change it`,
  press: (task: string) => `Press the new key for ${task}; Esc leaves it as it is.`,
  unchanged: 'Nothing was changed.',
  isNow: (key: string, task: string) => `${key} is now the key for ${task}.`,
  reset: 'All keys are the usual ones again.',
  notFree: (key: string) => `${key} cannot be used: choose a letter, a digit or a punctuation mark.`,
  takesBack: (key: string) => `${key} already takes back. Choose another key.`,
  taken: (key: string, task: string) => `${key} is already the key for ${task}. Choose another one, or change that first.`,
  help: (seconds: number) =>
    `[Esc] takes back: the call that waits, the countdown, and later the active call; it cannot be switched off. Held in the first ${numbers.format(seconds)} s after the start, it calls a false start. While you type, keys only type. This browser remembers what you change here.`,
} as const;
