// Names as short as they have to be, and no shorter: the board is read from far away.

/** How wide a name is, in sizes of its letters. */
export type Width = (name: string) => number;

/**
 * Everybody's name, each within this much room where that leads to no confusion: `Tam Lindqvist` becomes `Tam L.` where it
 * does not fit, `Tam Li.` when there is a Tam Lundgaard. What is still too long is cut by the page.
 */
export function shortened(names: readonly string[], room: number, width: Width = widthOf): readonly string[] {
  // How many people a beginning would stand for.
  const begun = new Map<string, number>();
  for (const name of new Set(names)) for (const beginning of beginnings(name)) begun.set(beginning, (begun.get(beginning) ?? 0) + 1);
  return names.map((name) => {
    if (width(name) <= room) return name;
    const beginning = beginnings(name).find((beginning) => begun.get(beginning) === 1);
    return beginning === undefined || width(`${beginning}.`) >= width(name) ? name : `${beginning}.`;
  });
}

/** The whole first name, with more and more letters of the last one; none for a name that has a single part. */
function beginnings(name: string): string[] {
  const parts = name.trim().split(/\s+/);
  const [first, last] = [parts.slice(0, -1).join(' '), [...(parts.at(-1) ?? '')]];
  return first === '' ? [] : last.map((_, nth) => `${first} ${last.slice(0, nth + 1).join('')}`);
}

let pen: CanvasRenderingContext2D | null = null;
const known = new Map<string, number>();

/** As the browser draws it, in the weight of a name; all figures are as wide as a zero. */
export function widthOf(text: string): number {
  const name = text.replaceAll(/\d/g, '0');
  const before = known.get(name);
  if (before !== undefined) return before;
  pen ??= document.createElement('canvas').getContext('2d');
  if (pen === null) return [...name].length * LETTER_EMS;
  const font = `600 100px ${getComputedStyle(document.documentElement).fontFamily}`;
  pen.font = font;
  const width = pen.measureText(name).width / 100;
  // Until the font of the page has loaded, another one is measured.
  if (document.fonts.check(font)) known.set(name, width);
  return width;
}

/** A letter of a name, on average. */
const LETTER_EMS = 0.55;
