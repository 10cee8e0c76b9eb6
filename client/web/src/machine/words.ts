// What an athlete reads about the link to their machine: one calm sentence, and a way on.

import type { Absence, Failure, Kind, State } from './link';

/** What can be pressed under the sentence. */
export type WayOn = 'link' | 'release' | 'bridge' | 'demo';

/** The words for a state. */
export interface Words {
  /** A few words, for a line of the page. */
  readonly short: string;
  /** A sentence or two: what is so, and what helps. */
  readonly says: string;
  readonly ways: readonly WayOn[];
  /** Something is under way: not a moment to press anything. */
  readonly busy?: true;
}

/** On the buttons. */
export const WAYS: Readonly<Record<Kind, Readonly<Record<WayOn, string>>>> = {
  rower: {
    link: 'Link the machine',
    release: 'Let it go',
    bridge: 'Row through a bridge',
    demo: 'Try it with a demo rower',
  },
  strap: { link: 'Link a strap', release: 'Let it go', bridge: 'Row through a bridge', demo: 'Try it with a demo rower' },
};

/** For those whose browser or gym network gives no Bluetooth. */
export const BRIDGE =
  'A computer beside the machine can pass it on: thole row --from ftms, with your personal link. The volunteer of the gym can set this up for several machines at once.';

/** Said wherever a demo rower is used, to the athlete and to the coach. */
export const DEMO = 'Demo rower: nobody rows, the numbers are made up.';

/** Browsers with Web Bluetooth, as of 2026 (MDN browser compatibility data). */
export const BROWSERS =
  'Chrome, Edge and Samsung Internet on Android have it, and Chrome and Edge on Windows, macOS and ChromeOS. Firefox and Safari do not, nor any browser on an iPhone or iPad.';

const OTHER_WAYS: readonly WayOn[] = ['bridge', 'demo'];
/** So often a lost machine was tried when somebody should have a look: about 20 s. */
const LOOK_AFTER = 6;

/** What the athlete reads. */
export function words({ kind, link }: State): Words {
  const it = kind === 'rower' ? 'machine' : 'strap';
  switch (link.is) {
    case 'absent':
      return absent(kind, link.why);
    case 'idle':
      return kind === 'rower'
        ? { short: 'no machine yet', says: 'Wake the machine up with a pull, then link it.', ways: ['link', ...OTHER_WAYS] }
        : { short: 'no strap', says: 'A strap is up to you. Put it on, then link it.', ways: ['link'] };
    case 'choosing':
      return {
        short: 'choosing',
        says: `Pick your ${it} in the browser's list. If no list comes up, see whether Bluetooth is on.`,
        ways: [],
        busy: true,
      };
    case 'linking':
      return { short: 'linking', says: `Linking ${called(link.name, it)} …`, ways: ['release'], busy: true };
    case 'linked':
      return linked(kind, called(link.name, it), link.heard);
    case 'lost':
      return {
        short: 'link lost, coming back',
        says:
          link.failed < LOOK_AFTER
            ? `The link to ${called(link.name, it)} is gone; it is coming back by itself. ${kept(kind)}`
            : `${sentence(called(link.name, it))} does not answer yet; it is tried every few seconds. Have a look whether it is on and near. ${kept(kind)}`,
        ways: ['release'],
        busy: true,
      };
    case 'failed':
      return failed(kind, link.why);
    default:
      return link satisfies never;
  }
}

function kept(kind: Kind): string {
  return kind === 'rower' ? 'The machine counts on, and no metre is lost.' : 'Rowing goes on without it.';
}

function absent(kind: Kind, why: Absence): Words {
  const ways = kind === 'rower' ? OTHER_WAYS : [];
  if (why === 'insecure') {
    return {
      short: 'not a secure page',
      says: 'Browsers give Bluetooth to secure pages alone, and this one came over plain HTTP. Ask for the address that begins with https.',
      ways,
    };
  }
  return { short: 'no Bluetooth in this browser', says: `This browser gives pages no Bluetooth. ${BROWSERS}`, ways };
}

function linked(kind: Kind, name: string, heard: 'nothing' | 'no_distance' | 'enough'): Words {
  const ways: readonly WayOn[] = ['release'];
  if (heard === 'enough') return { short: 'linked', says: `${sentence(name)} is linked.`, ways };
  if (heard === 'no_distance') {
    return {
      short: 'linked, no distance',
      says: `${sentence(name)} is linked, and does not say how far you row. Begin a workout on it; if nothing changes, row through a bridge.`,
      ways: ['release', ...OTHER_WAYS],
    };
  }
  const wait = kind === 'rower' ? 'A few light strokes show that it reports.' : 'The first beats take a moment.';
  return { short: 'linked, nothing heard yet', says: `${sentence(name)} is linked. ${wait}`, ways };
}

function failed(kind: Kind, why: Failure): Words {
  const it = kind === 'rower' ? 'machine' : 'strap';
  const others = kind === 'rower' ? OTHER_WAYS : [];
  switch (why) {
    case 'cancelled':
      return { short: `no ${it} yet`, says: 'Nothing was picked. That is fine; link it whenever you like.', ways: ['link', ...others] };
    case 'no_adapter':
      return { short: 'Bluetooth is off', says: 'This device has no Bluetooth, or it is off. Switch it on and link again.', ways: ['link', ...others] };
    case 'blocked':
      return {
        short: 'Bluetooth not allowed',
        says: 'The browser does not let this page use Bluetooth. Allow it in the settings of this page, then link again.',
        ways: ['link', ...others],
      };
    case 'no_answer':
      return {
        short: 'no answer',
        says: `The ${it} does not answer. ${kind === 'rower' ? 'Wake it up with a pull' : 'Put it on'}, come near, and see that no other phone holds it; then link again.`,
        ways: ['link', ...others],
      };
    case 'refused':
      return {
        short: `the ${it} said no`,
        says: `The ${it} answers and does not hand out its data. Switch it off and on, then link again.`,
        ways: ['link', ...others],
      };
    case 'wrong_machine':
      return kind === 'rower'
        ? {
            short: 'not a rower',
            says: 'This machine is no rower that speaks the open Fitness Machine Service; bikes stand in the same list. Pick another one.',
            ways: ['link', ...others],
          }
        : { short: 'not a strap', says: 'This device tells no heart rate. Pick another one.', ways: ['link'] };
    default:
      return why satisfies never;
  }
}

function called(name: string, it: string): string {
  return name === '' ? `the ${it}` : name;
}

function sentence(text: string): string {
  return text.slice(0, 1).toUpperCase() + text.slice(1);
}
