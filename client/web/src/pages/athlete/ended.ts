// Why a connection has ended for good, in words for somebody on a machine; after the table of protocol/README.md.
import { athlete as texts } from '#texts';
import { WRONG_SECRET } from '../../session/close';

/** The same person has come in on another device. */
export const REPLACED = 4501;
/** Another device is heard in the seat: the person says which of the two is used. */
export const SEAT_TAKEN = 4507;
export const CLOSED = 4502;
const OLD = 4503;
const FULL = 4504;
const TRIED_TOO_OFTEN = 4505;
const UNREADABLE = 4506;

/** What the server says is meant for programs, too; it is shown only where this page knows nothing better. */
export function endedText(code: number | null, says: string): string {
  switch (code) {
    case 1002:
    case 1003:
    case 1007:
    case 1008:
    case 1009:
      return texts.why.broken;
    case WRONG_SECRET:
      return texts.why.wrong;
    case REPLACED:
      return texts.why.replaced;
    case SEAT_TAKEN:
      return texts.why.seatTaken;
    case CLOSED:
      return texts.why.closed;
    case OLD:
      return texts.why.old;
    case FULL:
      return texts.why.full;
    case TRIED_TOO_OFTEN:
      return texts.why.tooOften;
    case UNREADABLE:
      return texts.why.unreadable;
    default:
      return says;
  }
}

/** A page that is reloaded may find what this one did not. */
export function reloadHelps(code: number | null): boolean {
  return code !== WRONG_SECRET && code !== REPLACED && code !== SEAT_TAKEN && code !== CLOSED;
}
