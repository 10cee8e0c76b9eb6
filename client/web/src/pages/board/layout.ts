// How rows are laid out: in one column with the target line in the middle as long as all of them can be read there, in
// two columns where that saves a page and every name has room, on equal pages beyond that. Letters are never smaller
// than can be read from the farthest seat.
import { shortened, widthOf, type Width } from './names';
import { GOOD_MINUTES, LEAST_MINUTES, fontPx, type Frame, type Sight } from './sight';
import type { BoardRow } from './rows';

/**
 * `wide`: one column, words on one side of the line and the bar on the other. `slim`: two columns, with the bar after
 * the words. `double`: two columns, with the bar under the name.
 */
export type Form = 'wide' | 'slim' | 'double';

export interface Layout {
  readonly form: Form;
  readonly columns: number;
  readonly fontPx: number;
  readonly rowPx: number;
  /** In the longest column. */
  readonly rows: number;
  readonly perPage: number;
  readonly pages: number;
  /** From this far, in metres, the letters are 16 minutes of arc: if that is less than the distance, the screen is too small for it. */
  readonly farM: number;
  /** Whether there is room for the finish. */
  readonly finish: boolean;
  /** Room for a name, in sizes of the letters. */
  readonly nameEms: number;
}

/** What there is room for, in pixels. */
export interface Space {
  readonly widthPx: number;
  /** Without the lines of counts above and below. */
  readonly oneColumnPx: number;
  /** Without one line of counts. */
  readonly twoColumnsPx: number;
}

/** How much room the words of a row need, in sizes of the letters. */
export interface Words {
  readonly place: number;
  readonly finish: number;
  readonly margin: number;
  /** The longest word that takes the place of numbers. */
  readonly instead: number;
  /** The longest name, shortened as far as it may be … */
  readonly name: number;
  /** … and the dot beside the name of somebody who has the call. */
  readonly dot: number;
  /** Names of teams do not consist of a first and a last name. */
  readonly whole: boolean;
}

/** Height of a row in sizes of its letters, at least and at most. */
const ROW: Readonly<Record<Form, readonly [number, number]>> = { wide: [1.21, 1.5], slim: [1.07, 1.5], double: [2.1, 2.9] };
/** Between two parts of a row, and between the line and the words beside it. */
const GAP_EMS = 0.5;
/** The dot of somebody who has the call. */
const DOT_EMS = 0.75;
/** A shorter bar says nothing. */
const BAR_EMS = 2.5;
/** Between two columns. */
const COLUMNS_APART_EMS = 1.2;
/** Half a screen holds a place, a margin and the beginning of a name; and a page has a few rows. */
const HALF_LEAST_EMS = 10;
const ROWS_LEAST = 4;
/** The finish is left out only where names would otherwise be cut shorter than this. */
const NAME_EMS = 4.5;
/** Sums of parts are not exact. */
const ALIKE = 1e-6;

/** How much room these rows need. */
export function wordsOf(rows: readonly BoardRow[], of: 'field' | 'results' | 'teams', width: Width = widthOf): Words {
  const widest = (texts: readonly string[]) => texts.reduce((most, text) => Math.max(most, width(text)), 0);
  const names = rows.map(({ name }) => name);
  const finish = widest(rows.map((row) => row.finish));
  const [numbers, others] = [rows.filter(({ guess }) => guess !== null), rows.filter(({ guess }) => guess === null)];
  return {
    place: String(rows.length).length * 0.6 + GAP_EMS,
    finish,
    // As soon as there are numbers they need this much room.
    margin: widest(['+0.0 %', ...numbers.map(({ margin }) => margin)]),
    // A result without a finish shows what was rowed before the word.
    instead: Math.max(0, ...others.map((row) => width(row.margin) + (row.finish === '' ? 0 : finish + GAP_EMS))),
    name: widest(of === 'teams' ? names : shortened(names, 0, width)),
    dot: of === 'field' ? DOT_EMS : 0,
    whole: of === 'teams',
  };
}

/** This many people with these words, as they are best seen. */
export function layout(sight: Sight, frame: Frame, space: Space, people: number, words: Words): Layout {
  const tried = (['wide', 'double', 'slim'] as const).map((form) => laid(form, sight, frame, space, people, words));
  const fitting = tried.filter(({ form, nameEms }) => form === 'wide' || nameEms >= words.name - ALIKE);
  // Nobody should have to wait for a page; then, nobody's finish should be left out; then, the bars should be long.
  const worse = ({ pages, finish }: Layout) => pages * 2 + (finish ? 0 : 1);
  return fitting.reduce((best, other) => (worse(other) < worse(best) ? other : best));
}

function laid(form: Form, sight: Sight, frame: Frame, space: Space, people: number, words: Words): Layout {
  const columns = form === 'wide' ? 1 : 2;
  const heightPx = form === 'wide' ? space.oneColumnPx : space.twoColumnsPx;
  const [low, high] = ROW[form];
  const wanted = fontPx(sight, frame, LEAST_MINUTES);
  const least = Math.min(wanted, space.widthPx / 2 / HALF_LEAST_EMS, space.oneColumnPx / ROWS_LEAST / ROW.wide[0]);
  const fit = Math.max(1, Math.floor(heightPx / (least * low))) * columns;
  const pages = Math.max(1, Math.ceil(people / fit));
  const perPage = Math.max(1, Math.ceil(people / pages));
  const rows = Math.ceil(perPage / columns);
  // As large as is good to read, as long as no name has to be cut for it.
  const good = Math.min(fontPx(sight, frame, GOOD_MINUTES), heightPx / rows / low);
  const font = Math.max(least, Math.min(good, space.widthPx / besides(form, words, words.finish, words.name)));
  const finish = form !== 'wide' || nameRoom(form, space, font, words, words.finish) >= Math.min(words.name, NAME_EMS) - ALIKE;
  return {
    form,
    columns,
    fontPx: font,
    rowPx: Math.min(heightPx / rows, font * high),
    rows,
    perPage,
    pages,
    farM: (sight.distanceM * font) / wanted,
    finish,
    nameEms: nameRoom(form, space, font, words, finish ? words.finish : 0),
  };
}

/** The whole width with a name of this length, in sizes of the letters. */
function besides(form: Form, words: Words, finish: number, name: number): number {
  const numbers = Math.max(words.margin + (finish > 0 ? finish + GAP_EMS : 0), words.instead);
  switch (form) {
    case 'wide':
      return 2 * (words.place + name + words.dot + GAP_EMS + numbers + GAP_EMS);
    case 'slim':
      return 2 * (words.place + name + words.dot + GAP_EMS + numbers + GAP_EMS + BAR_EMS) + COLUMNS_APART_EMS;
    case 'double':
      return 2 * (words.place + name + words.dot + GAP_EMS + Math.max(words.margin, words.instead)) + COLUMNS_APART_EMS;
    default:
      return form satisfies never;
  }
}

function nameRoom(form: Form, { widthPx }: Space, font: number, words: Words, finish: number): number {
  return (widthPx / font - besides(form, words, finish, 0)) / 2;
}
