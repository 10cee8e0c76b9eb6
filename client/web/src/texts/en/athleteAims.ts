// The athlete's target, and the plan to reach it: a part loaded together with its texts.
export const athleteAims = {
  unheard: 'The server may not have got this; it is told again when it is back.',
  howFar: 'How far do you want to row?',
  inWhatTime: 'In what time do you want to finish?',
  otherTarget: 'Another target',
  set: 'Set',
  setAgain: 'The server is out of reach; set it again when it is back.',
  orPace: 'A pace such as 2:22/500m will do, too.',
  take: (target: string) => `Take ${target}`,
  lastTime: (target: string) => `Last time you rowed this piece it was ${target}.`,
  alike: (pace: string, target: string) => `You have rowed a piece today at ${pace} for 500 m; ${target} would be about as hard.`,
  beginners: (fast: string, slow: string, low: string, high: string) =>
    `Many begin with ${fast} to ${slow} for 500 m; that is ${low} to ${high} for this piece. Better a little slower than you think.`,
  beginners500: (fast: string, slow: string) => `Many begin with ${fast} to ${slow} for 500 m. Better a little slower than you think.`,
  howToRow: 'How do you want to row it?',
  coachPlan: { title: 'As your coach planned it', says: 'Split by split.' },
  plans: {
    even: { title: 'Even', says: 'One pace all the way. The usual choice.' },
    fast_start: { title: 'Fast start', says: 'Faster off the start, then settle, and a lift at the end.' },
    negative_split: { title: 'Faster finish', says: 'Hold back at first, and row the second half faster.' },
  },
  chooseAgain: 'The server is out of reach; choose again when it is back.',
  alongPlan: 'On the way, ahead and behind are measured against this plan.',
} as const;
