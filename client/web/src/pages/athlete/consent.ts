// Which wording of `heartRate` in `#texts` was read: the server keeps it with the consent.
export const HEART_RATE_WORDING = 1;
