// The page of whoever rows: last result, all of them, devices, data.

export const me = {
  documentTitle: (name: string) => (name === '' ? 'My rowing · Thole' : `${name} · Thole`),
  heading: 'My rowing',
  row: 'Row',
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
  nothingYet: 'Nothing of yours yet. When you have rowed a piece and your coach has said that it is yours, it is here.',
  against: (target: string, margin: string) => (margin === '' ? `Target ${target}` : `Target ${target}, ${margin}`),
  older: (count: number) => `These are the newest ${count}.`,
  devices: {
    heading: 'My devices',
    why: 'Each of these comes in as you. End what you no longer have.',
    none: 'No device has a key of yours.',
    endOthers: 'End all but this one',
    forget: 'This device is not mine',
  },
} as const;
