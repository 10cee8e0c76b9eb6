// What an athlete reads about the link to their machine: one calm sentence, and a way on.
import { athlete as texts } from '#texts';
import type { Absence, Failure, Heard, Kind, State } from './link';

/** What can be pressed under the sentence. */
export type WayOn = 'link' | 'release' | 'bridge' | 'demo';

/** The words for a state. */
export interface Words {
  /** A few words, for a line of the page. */
  readonly short: string;
  /** A sentence or two: what the matter is, and what helps. */
  readonly says: string;
  readonly ways: readonly WayOn[];
  /** Something is under way: not a moment to press anything. */
  readonly busy?: true;
}

const OTHER_WAYS: readonly WayOn[] = ['bridge', 'demo'];
/** After this many attempts at a lost machine somebody should have a look: about 20 s. */
const LOOK_AFTER = 6;

/** On the buttons. */
export function wayText(way: WayOn, kind: Kind): string {
  return texts.ways[way === 'link' && kind === 'strap' ? 'strap' : way];
}

/** What the athlete reads. */
export function words({ kind, link }: State): Words {
  const own = texts[kind];
  const others = kind === 'rower' ? OTHER_WAYS : [];
  switch (link.is) {
    case 'absent':
      return absent(link.why, others);
    case 'idle':
      return { short: own.none, says: own.idle, ways: ['link', ...others] };
    case 'choosing':
      return { short: texts.link.choosing, says: own.choosing, ways: [], busy: true };
    case 'linking':
      return { short: texts.link.linking, says: own.linking(link.name), ways: ['release'], busy: true };
    case 'linked':
      return linked(kind, link.name, link.heard);
    case 'lost':
      return { short: texts.link.lost, says: (link.failed < LOOK_AFTER ? own.lost : own.lostLong)(link.name), ways: ['release'], busy: true };
    case 'failed':
      return failed(kind, link.why, others);
    default:
      return link satisfies never;
  }
}

function absent(why: Absence, ways: readonly WayOn[]): Words {
  return { ...texts.link[why], ways };
}

function linked(kind: Kind, name: string, heard: Heard): Words {
  const own = texts[kind];
  switch (heard) {
    case 'enough':
      return { short: texts.link.linked, says: own.linked(name), ways: ['release'] };
    case 'no_distance':
      return { short: texts.noDistance.short, says: texts.noDistance.says(name), ways: ['release', ...OTHER_WAYS] };
    case 'nothing':
      return { short: texts.link.quiet, says: own.quiet(name), ways: ['release'] };
    default:
      return heard satisfies never;
  }
}

function failed(kind: Kind, why: Failure, others: readonly WayOn[]): Words {
  const own = texts[kind];
  const ways: readonly WayOn[] = ['link', ...others];
  switch (why) {
    case 'cancelled':
      return { short: own.none, says: texts.link.cancelled, ways };
    case 'no_adapter':
    case 'blocked':
      return { ...texts.link[why], ways };
    case 'no_answer':
      return { short: texts.link.no_answer, says: own.no_answer, ways };
    case 'refused':
    case 'wrong_machine':
      return { ...own[why], ways };
    default:
      return why satisfies never;
  }
}
