import { expect, test } from 'vitest';
import { USUAL, chosenSight, fontPx, keepSight, rows, tooFar } from './sight';

const TV = { width: 1920, height: 1080 };

function shelf(): Pick<Storage, 'getItem' | 'setItem'> {
  const kept = new Map<string, string>();
  return { getItem: (name) => kept.get(name) ?? null, setItem: (name, value) => void kept.set(name, value) };
}

// A minute of arc is 0.2909 mm at one metre (its definition: 1/60 of a degree); a 55-inch screen of 16:9 is 1217.6 mm
// wide (55 in × 25.4 mm × 16 / √337). Capital = 0.668 of the size, as measured in the font's own table.
test.each([
  [43, 4, 56, 70],
  [55, 5, 55, 69],
  [65, 6, 56, 70],
  [75, 4, 32, 40],
])('a %d-inch screen read from %d m wants %d px for 16 minutes of arc, %d px for 20', (diagonalIn, distanceM, least, good) => {
  const sight = { diagonalIn, distanceM };
  expect(fontPx(sight, TV, 16)).toBeCloseTo((distanceM * 16 * 0.2909) / ((diagonalIn * 25.4 * 16) / Math.sqrt(337) / 1920) / 0.668, 0);
  expect(Math.round(fontPx(sight, TV, 16))).toBe(least);
  expect(Math.round(fontPx(sight, TV, 20))).toBe(good);
});

test('the same screen at half the pixels gets half the pixels: what is seen is as large', () => {
  expect(fontPx(USUAL, { width: 960, height: 540 }, 16)).toBeCloseTo(fontPx(USUAL, TV, 16) / 2, 6);
});

test('few are written large, more on one page as long as they can be read there, then on equal pages', () => {
  const of = (people: number) => rows(USUAL, TV, 690, people);
  expect(of(4)).toMatchObject({ pages: 1, perPage: 4 });
  expect(of(4).fontPx).toBeCloseTo(fontPx(USUAL, TV, 20), 6);
  expect(rows({ diagonalIn: 75, distanceM: 4 }, TV, 690, 4).fontPx).toBeCloseTo(fontPx({ diagonalIn: 75, distanceM: 4 }, TV, 20), 6);
  expect(of(12)).toMatchObject({ pages: 1, perPage: 12 });
  expect(of(12).farM).toBeGreaterThanOrEqual(4);
  expect(of(13)).toMatchObject({ pages: 2, perPage: 7 });
  expect(of(30)).toMatchObject({ pages: 3, perPage: 10 });
  expect(of(0)).toMatchObject({ pages: 1 });
  for (let people = 1; people < 200; people += 1) {
    const { perPage, pages, fontPx: font, rowPx } = of(people);
    expect(perPage * pages).toBeGreaterThanOrEqual(people);
    expect(perPage * (pages - 1)).toBeLessThan(people);
    expect(perPage * rowPx).toBeLessThanOrEqual(690.001);
    expect(font).toBeGreaterThanOrEqual(fontPx(USUAL, TV, 16) - 0.001);
  }
});

test('a screen that is too small for the distance shows letters as large as it can, and says that it is', () => {
  const sight = { diagonalIn: 13, distanceM: 9 };
  const fit = rows(sight, TV, 690, 12);
  expect(fit).toMatchObject({ perPage: 6, pages: 2 });
  // Letters as wide as half of the screen allows, 60 px, are 16 minutes of arc from this far; by the definition above.
  expect(fit.farM).toBeCloseTo((60 * 0.668 * ((13 * 25.4 * 16) / Math.sqrt(337) / 1_920)) / (16 * 0.2909), 2);
  expect(tooFar(sight, fit.farM)).toBe('The letters are as large as they can be: read them from 1.2 m or nearer, or use a larger screen.');
});

test.each([TV, { width: 1280, height: 720 }])('the usual screen is large enough for the usual distance', (frame) => {
  for (const people of [1, 8, 12, 30]) expect(tooFar(USUAL, rows(USUAL, frame, (690 * frame.height) / 1080, people).farM)).toBe('');
});

test('the address wins, then what was kept, then what is usual; nonsense counts for nothing', () => {
  const kept = shelf();
  const at = (query: string) => chosenSight(kept, new URL(`http://127.0.0.1/board/KAMURETA${query}#secret`));
  expect(at('')).toEqual(USUAL);
  keepSight(kept, { diagonalIn: 43, distanceM: 6.5 });
  expect(at('')).toEqual({ diagonalIn: 43, distanceM: 6.5 });
  expect(at('?diagonal=75&distance=4,5')).toEqual({ diagonalIn: 75, distanceM: 4.5 });
  expect(at('?diagonal=huge&distance=-3')).toEqual({ diagonalIn: 43, distanceM: 6.5 });
  expect(at('?diagonal=&distance=1e9')).toEqual({ diagonalIn: 43, distanceM: 6.5 });
});
