// Names as short as they have to be, and no shorter: the board is read from afar.

/** How wide a name is, in sizes of its letters. */
export type Width = (name: string) => number;

/**
 * The names of all, each in so much room where that leaves nobody mistaken: `Tam Lindqvist` becomes `Tam L.`, but stays
 * where it fits, or when somebody else would be `Tam L.` too. What is still too long is cut by the page.
 */
export function shortened(names: readonly string[], room: number, width: Width = widthOf): readonly string[] {
  const short = names.map((name) => (width(name) > room ? initialled(name) : name));
  const count = new Map<string, number>();
  for (const name of short) count.set(name, (count.get(name) ?? 0) + 1);
  return names.map((name, nth) => {
    const shorter = short[nth] ?? name;
    return count.get(shorter) === 1 ? shorter : name;
  });
}

let pen: CanvasRenderingContext2D | null = null;
const known = new Map<string, number>();

/** As the browser draws it, in the weight of a name. */
function widthOf(name: string): number {
  const before = known.get(name);
  if (before !== undefined) return before;
  pen ??= document.createElement('canvas').getContext('2d');
  if (pen === null) return [...name].length * LETTER_EMS;
  const font = `600 100px ${getComputedStyle(document.documentElement).fontFamily}`;
  pen.font = font;
  const width = pen.measureText(name).width / 100;
  // Until the font of the page is there, another one is measured.
  if (document.fonts.check(font)) known.set(name, width);
  return width;
}

/** A letter of a name, on the mean. */
const LETTER_EMS = 0.55;

/** The first name whole, of the last one the first letter. */
function initialled(name: string): string {
  const parts = name.trim().split(/\s+/);
  const [first, last] = [parts.slice(0, -1).join(' '), parts.at(-1)];
  const letter = [...(last ?? '')][0];
  return first === '' || letter === undefined ? name : `${first} ${letter}.`;
}
