// A device of the hall: tonight's list.

export const hall = {
  heading: 'Who sits here?',
  loading: 'Loading …',
  nothing: 'No session is open. When your coach has made one, its list is here.',
  nobody: 'Nobody is on the list yet.',
  taken: 'Has a seat',
};
