// The coach's page before there is a session: making one, or opening one.
export const coachBegin = {
  heading: 'Lead a session',
  incomplete: (code: string) => `The link to ${code} is incomplete: the part after the # is missing. Paste the whole link below.`,
  make: 'Make a new one',
  title: 'Title',
  titleExample: 'Thursday at the boathouse',
  needsKey: 'To make sessions on this device, open the head coach’s link on it once, or paste it below.',
  keyTaken: 'This device can make sessions from now on.',
  makeIt: 'Make the session',
  youGet: 'You get a join code for everyone, a link for the gym TV, and a link for each athlete.',
  known: 'Open one from this device',
  session: (title: string, code: string) => `${title === '' ? 'Session' : title}, ${code}`,
  byLink: 'Open with a link',
  link: 'The coach’s link',
  notWhole: 'This is not the whole link, which ends with # and a secret. Copy all of it.',
  open: 'Open',
  club: 'People and results of the club',
} as const;
