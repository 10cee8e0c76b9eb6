// How large the letters have to be, from the size of the screen and how far away the last person who reads it sits.
//
// ISO 9241-303: a capital of at least 16 minutes of arc, better 20. A capital is 0.668 of the size of this font.

import { board } from '#texts';

/** The screen, and its farthest reader. */
export interface Sight {
  readonly diagonalIn: number;
  readonly distanceM: number;
}

/** The window, in its own pixels; the board fills the screen. */
export interface Frame {
  readonly width: number;
  readonly height: number;
}

/** Rows as they fit. */
export interface Rows {
  readonly fontPx: number;
  readonly rowPx: number;
  readonly perPage: number;
  readonly pages: number;
  /** From this far, in metres, the letters are 16 minutes of arc: if that is less than the distance, the screen is too small for it. */
  readonly farM: number;
}

export const LIMITS = { diagonalIn: [10, 150], distanceM: [0.5, 30] } as const;
/** A usual screen in a gym, read from across the room; twelve rows can be read on it in one column. */
export const USUAL: Sight = { diagonalIn: 55, distanceM: 4 };

const NAME = 'thole board sight';
const CAPITAL = 0.668;
export const LEAST_MINUTES = 16;
export const GOOD_MINUTES = 20;
/** Height of a row in sizes of its letters. */
const ROW = 1.21;
/** Fewer rows than this on a page say nothing about a field. */
const ROWS_LEAST = 4;
/** Half of the screen holds the sign that says who is there and a name: this many sizes of the letters. */
const HALF = 16;
/** Rows are at most this far apart. */
const ROW_MOST = 1.5;

/** What the address says, otherwise what was chosen on this device, otherwise the usual. */
export function chosenSight(shelf: Pick<Storage, 'getItem'>, address: URL): Sight {
  const [diagonal, distance] = (shelf.getItem(NAME) ?? '').split(' ');
  const { searchParams: said } = address;
  return {
    diagonalIn: within(said.get('diagonal'), 'diagonalIn') ?? within(diagonal, 'diagonalIn') ?? USUAL.diagonalIn,
    distanceM: within(said.get('distance'), 'distanceM') ?? within(distance, 'distanceM') ?? USUAL.distanceM,
  };
}

export function keepSight(shelf: Pick<Storage, 'setItem'>, { diagonalIn, distanceM }: Sight): void {
  shelf.setItem(NAME, `${diagonalIn} ${distanceM}`);
}

/** A number that makes sense; null for anything else. */
export function within(said: string | null | undefined, which: keyof Sight): number | null {
  const [least, most] = LIMITS[which];
  const number = Number((said ?? '').replace(',', '.'));
  return said !== '' && number >= least && number <= most ? number : null;
}

/** The size of the font whose capitals are seen under this many minutes of arc. */
export function fontPx(sight: Sight, frame: Frame, minutes: number): number {
  const widthMm = (sight.diagonalIn * 25.4 * frame.width) / Math.hypot(frame.width, frame.height);
  const capitalMm = 2 * sight.distanceM * 1_000 * Math.tan((minutes * Math.PI) / 180 / 60 / 2);
  return (capitalMm * frame.width) / widthMm / CAPITAL;
}

/** This many people who wait, in this much height: on one page if they can be read there, otherwise on equal pages. */
export function rows(sight: Sight, frame: Frame, heightPx: number, people: number): Rows {
  const widest = frame.width / 2 / HALF;
  const most = Math.min(fontPx(sight, frame, GOOD_MINUTES), widest, heightPx / ROWS_LEAST / ROW);
  const wanted = fontPx(sight, frame, LEAST_MINUTES);
  const least = Math.min(wanted, most);
  const fit = Math.max(1, Math.floor(heightPx / (least * ROW)));
  const pages = Math.max(1, Math.ceil(people / fit));
  const perPage = Math.max(1, Math.ceil(people / pages));
  const font = Math.max(Math.min(heightPx / perPage / ROW, most), least);
  const rowPx = Math.min(heightPx / perPage, font * ROW_MOST);
  return { fontPx: font, rowPx, perPage, pages, farM: (sight.distanceM * font) / wanted };
}

/** Says that the letters cannot be as large as they should be, and what to do; empty when they are. */
export function tooFar({ distanceM }: Sight, farM: number): string {
  // A tenth of a metre is more than anybody measures.
  if (farM >= distanceM - 0.05) return '';
  return board.tooFar(Math.floor(farM * 10) / 10);
}
