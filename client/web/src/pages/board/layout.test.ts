import { expect, test } from 'vitest';
import { layout, wordsOf, type Layout, type Space } from './layout';
import type { BoardRow } from './rows';
import { USUAL, fontPx, type Sight } from './sight';

const TV = { width: 1920, height: 1080 };
/** Inside the safe area, without the block at the top and the lines of counts. */
const SPACE: Space = { widthPx: 1_728, oneColumnPx: 690, twoColumnsPx: 748 };
/** Letters are a little wider than half their size. */
const width = (text: string) => [...text].length * 0.55;

const SHORT = 'Salome Kvan';
const LONG = 'Bartholomewsdottir';

function row(name: string, nth: number): BoardRow {
  return { key: String(nth), name, place: String(nth + 1), side: 'ahead', finish: '10:05', margin: '+1.2 %', guess: { mean: 1, sd: 1 }, quiet: false, heard: true, called: false, home: false };
}

function of(people: number, sight: Sight = USUAL, name = SHORT): Layout {
  // Everybody has a name of their own.
  const rows = Array.from({ length: people }, (_, nth) => row(`${name}${nth}`, nth));
  return layout(sight, TV, SPACE, people, { ...wordsOf(rows, 'field', width), name: width(name) });
}

const at = (diagonalIn: number, distanceM: number): Sight => ({ diagonalIn, distanceM });

test('twelve stand in one column on 55 inches at 4 m and on 65 at 5 m, with the finish beside the name', () => {
  for (const sight of [USUAL, at(55, 4), at(65, 5)]) {
    expect(of(12, sight)).toMatchObject({ form: 'wide', pages: 1, perPage: 12, finish: true });
    expect(of(12, sight).farM).toBeGreaterThanOrEqual(sight.distanceM - 0.05);
  }
});

test('twelve stand in two columns of six where one column has no room', () => {
  for (const sight of [at(43, 4), at(55, 5)]) expect(of(12, sight)).toMatchObject({ columns: 2, rows: 6, pages: 1, finish: true });
  // One column would have had room for eight at 6 m, but not for when they are home.
  expect(of(8, at(55, 6))).toMatchObject({ columns: 2, rows: 4, pages: 1, finish: true });
});

test('thirty stand in two columns where their names fit, else on equal pages', () => {
  expect(of(30)).toMatchObject({ columns: 2, rows: 15, pages: 1, finish: true });
  expect(of(30, USUAL, LONG)).toMatchObject({ form: 'double', perPage: 15, pages: 2 });
  expect(of(30, USUAL, LONG + LONG)).toMatchObject({ form: 'wide', perPage: 10, pages: 3 });
  expect(of(30, at(55, 6)).pages).toBeGreaterThan(1);
  expect(of(60)).toMatchObject({ columns: 2, perPage: 30, pages: 2 });
  expect(of(61)).toMatchObject({ columns: 2, perPage: 21, pages: 3 });
});

test('a few are written as large as is good to read', () => {
  expect(of(4)).toMatchObject({ form: 'wide', pages: 1 });
  expect(of(4, at(75, 4)).fontPx).toBeCloseTo(fontPx(at(75, 4), TV, 20), 6);
  expect(of(0)).toMatchObject({ pages: 1 });
});

test.each([43, 55, 65, 75].flatMap((diagonal) => [4, 5, 6].map((distance) => [diagonal, distance] as const)))(
  'on %d inches at %d m all are on a page, in the height that there is, and letters are never under 16 minutes',
  (diagonal, distance) => {
    const sight = at(diagonal, distance);
    for (let people = 1; people < 130; people += 1) {
      const fit = of(people, sight);
      const { perPage, pages, columns, rows, rowPx } = fit;
      expect(perPage * pages).toBeGreaterThanOrEqual(people);
      expect(perPage * (pages - 1)).toBeLessThan(people);
      expect(rows * columns).toBeGreaterThanOrEqual(perPage);
      expect(rows * rowPx).toBeLessThanOrEqual((columns === 1 ? SPACE.oneColumnPx : SPACE.twoColumnsPx) + 0.001);
      expect(fit.fontPx).toBeGreaterThanOrEqual(fontPx(sight, TV, 16) - 0.001);
      if (columns === 2) expect(fit.nameEms).toBeGreaterThanOrEqual(width(SHORT) - 0.001);
    }
  },
);

test('a screen that is too small for the distance shows letters as large as it can, and knows from how far', () => {
  const fit = of(12, at(13, 9));
  expect(fit.fontPx).toBeCloseTo(1_728 / 20, 6);
  expect(fit.farM).toBeCloseTo((9 * fit.fontPx) / fontPx(at(13, 9), TV, 16), 6);
});

test('how much room words need: figures of a row beside each other, a word in place of all of them', () => {
  const rows = [row('Ana Quill', 0), { ...row('Bo Ek', 1), finish: '', margin: 'no signal', guess: null }, { ...row('Cy', 2), margin: '−10.2 %' }];
  expect(wordsOf(rows, 'field', width)).toMatchObject({ finish: width('10:05'), margin: width('−10.2 %'), instead: width('no signal'), name: width('Ana Q.') });
  expect(wordsOf(rows, 'teams', width)).toMatchObject({ name: width('Ana Quill'), dot: 0 });
});
