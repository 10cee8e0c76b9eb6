// What the club answers, as the types of the server say it.
export type * from '../../generated/club';
