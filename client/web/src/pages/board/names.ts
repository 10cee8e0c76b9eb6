// Names as short as they have to be, and no shorter: the board is read from afar.

/** Whether a name takes more than so many letters. */
function isLong(name: string, most: number): boolean {
  return [...name].length > most;
}

/**
 * The names of all, each in at most so many letters where that leaves nobody mistaken: `Tam Lindqvist` becomes
 * `Tam L.`, or stays when somebody else would be `Tam L.` too. What is still too long is cut by the page.
 */
export function shortened(names: readonly string[], most: number): readonly string[] {
  const short = names.map((name) => (isLong(name, most) ? initialled(name) : name));
  const count = new Map<string, number>();
  for (const name of short) count.set(name, (count.get(name) ?? 0) + 1);
  return names.map((name, nth) => {
    const shorter = short[nth] ?? name;
    return count.get(shorter) === 1 ? shorter : name;
  });
}

/** The first name whole, of the last one the first letter. */
function initialled(name: string): string {
  const parts = name.trim().split(/\s+/);
  const [first, last] = [parts.slice(0, -1).join(' '), parts.at(-1)];
  const letter = [...(last ?? '')][0];
  return first === '' || letter === undefined ? name : `${first} ${letter}.`;
}
