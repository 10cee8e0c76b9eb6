// The coach's page: what the coach is asked or told, whatever else is open.
import { plural, tenths, units } from './language';

export const coachRequests = {
  heading: 'Asking to be let in',
  more: (parts: readonly string[]) => units.format(parts),
  gone: 'not connected right now',
  since: (time: string) => `asking for ${time}`,
  letIn: 'Let in',
  letInWho: (name: string) => `Let in ${name}`,
  letInAll: (count: number) => `Let in all ${count} of your list`,
  notThem: 'Not them',
  notThemWho: (name: string) => `Not them: ${name}`,
  somebody: 'somebody',
  secondDevice: (name: string) => `A second device has taken the seat of ${name}, and the first was sent away. If that was not them, make a new link under Prepare.`,
  clockUnchecked:
    'The server’s machine was switched off during this piece, and fewer than three devices came back in time to check its clock: times in this piece may be wrong.',
  clockSet: (seconds: number, devices: number) =>
    `The server’s machine came back with a wrong clock. It was put right by ${tenths.format(seconds)} s, going by ${plural(devices, { one: `${devices} device`, other: `${devices} devices` })}. Results of this piece are marked: their times may be wrong.`,
  damaged: 'The server’s journal is damaged',
  scripts: (name: string) => `${name} is written with letters from several scripts: look twice at who it is.`,
  alike: (name: string, other: string) => `${name} looks like ${other}: are they two people?`,
  understood: 'Understood',
} as const;
