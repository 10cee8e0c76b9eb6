import { describe, expect, test } from 'vitest';
import { readPiece } from '../../ui/parse';
import { leftOver, readRoster, tableText, withMeant } from './roster';

/** The same table that the test of the command-line program reads. */
const TABLE = '\uFEFFName,team,target,plan,heart_limit\r\n"Fenn, Ida ""Fox""",Heron,1:58.4/500m,fast_start,178\n\nBo Quist,,,,\nUma Roe , Otter ,5:06.0\n';

describe('a roster', () => {
  test('is read with and without heading, quotes and gaps, as the command line reads it', () => {
    const { entries, troubles } = readRoster(TABLE, 2);
    expect(troubles).toEqual([]);
    expect(entries.map(({ spec }) => spec)).toEqual([
      { name: 'Fenn, Ida "Fox"', team: 'Heron', heart_limit_bpm: 178 },
      { name: 'Bo Quist', team: null, heart_limit_bpm: null },
      { name: 'Uma Roe', team: 'Otter', heart_limit_bpm: null },
    ]);
    const aim = { target: { want: 'pace', per_500m_ms: 118_400 }, plan: { profile: 'fast_start' }, history: [] };
    expect(entries[0]?.aims).toEqual([aim, aim]);
    expect(entries[1]?.aims).toEqual([]);
    expect(entries[2]?.aims?.[0]?.target).toEqual({ want: 'finish', finish_ms: 306_000 });
  });

  test('may be pasted from a spreadsheet: tabs, or semicolons, and columns in any order', () => {
    expect(readRoster('Team\tName\tShoe size\nHeron\tIda Fenn\t39', 1).entries.map(({ spec }) => spec)).toEqual([
      { name: 'Ida Fenn', team: 'Heron', heart_limit_bpm: null },
    ]);
    expect(readRoster('Team\tName\tShoe size\nHeron\tIda Fenn\t39', 1).unread).toEqual(['Shoe size']);
    expect(readRoster('name,team\nIda Fenn,Heron', 1).unread).toEqual([]);
    expect(readRoster('Ida Fenn;Heron;5:06', 1).unread).toEqual([]);
    expect(readRoster('Ida Fenn;Heron;5:06', 1).entries[0]?.spec.team).toBe('Heron');
  });

  test('may bring past results of the piece, as a column of its own', () => {
    const { entries, troubles } = readRoster('name,target,past\nIda Fenn,5:06,5:11.4@9d+5:20@40d\nBo Quist,,3120m@3d\n', 1);
    expect(troubles).toEqual([]);
    expect(entries[0]?.aims?.[0]?.history).toEqual([
      { days_ago: 9, result: { want: 'finish', finish_ms: 311_400 } }, { days_ago: 40, result: { want: 'finish', finish_ms: 320_000 } },
    ]);
    expect(entries[1]?.aims?.[0]).toMatchObject({ target: null, history: [{ days_ago: 3 }] });
    expect(readRoster('name,past\nIda Fenn,5:11', 1).troubles).toEqual([{ line: 2, says: expect.stringContaining('Ida Fenn: "5:11" is not a past result') }]);
    expect(readRoster('name,past\nIda Fenn,5:11@9d', 2).troubles).toEqual([{ line: 2, says: expect.stringContaining('this session has 2') }]);
  });

  test('may be names alone, one a line', () => {
    expect(readRoster('Ida Fenn\nBo Quist\n', 1).entries.map(({ spec }) => spec.name)).toEqual(['Ida Fenn', 'Bo Quist']);
  });

  test('names every wrong line with what to type, and keeps the right ones', () => {
    const { entries, troubles } = readRoster(
      ['name,team,target,plan,heart_limit', 'Ida,Heron,quick', ',Heron', '"Bo,Heron', '"Uma" Roe', 'Eli,,5:06,swift', 'Oda,,,,301', 'Pia', 'pia', 'Tam'].join('\n'),
      1,
      ['TAM'],
    );
    expect(entries.map(({ spec }) => spec.name)).toEqual(['Pia']);
    expect(troubles.map(({ line }) => line)).toEqual([2, 3, 4, 5, 6, 7, 9, 10]);
    expect(troubles.map(({ says }) => says).join('\n')).toMatchInlineSnapshot(`
      "Ida: "quick" is not a target; type a finish (6:31.5), a pace (1:52.4/500m) or a distance (4120m).
      The name is missing.
      A quotation mark is not closed.
      There is something after a closing quotation mark.
      Eli: "swift" is not a plan; type even, fast_start, negative_split, or legs like 500m@1:55+1200m@2:01.
      Oda: "301" is not a heart limit; type 80 to 240 beats a minute, such as 178.
      pia is on line 8 already: add an initial.
      Tam is in the session already."
    `);
  });

  test('takes no more at once than the server does', () => {
    const names = Array.from({ length: 501 }, (_, nth) => `Rower ${nth}`).join('\n');
    const { entries, troubles } = readRoster(names, 1);
    expect([entries.length, troubles[0]?.line]).toEqual([500, 501]);
  });

  test('reads whatever is pasted without a fault', () => {
    for (const text of ['', '\n\n', ',,,', '""', '"', '\t', 'name', '"a""', 'a,"b",', ';;;\n"', '\u0000']) {
      expect(() => readRoster(text, 1), JSON.stringify(text)).not.toThrow();
    }
  });
});

test('a target counts for the pieces that it fits', () => {
  const aims = (text: string, kinds: readonly ('distance' | 'time')[]) => readRoster(text, kinds.length, [], kinds).entries[0]?.aims?.map(({ target }) => target?.want ?? null);
  expect(aims('Ida Fenn,Heron,5:06', ['distance', 'time'])).toEqual(['finish', null]);
  expect(aims('Ida Fenn,Heron,3100m', ['distance', 'time'])).toEqual([null, 'distance']);
  expect(aims('Ida Fenn,Heron,2:03/500m', ['distance', 'time'])).toEqual(['pace', 'pace']);
  // It fits none: the server says why.
  expect(aims('Ida Fenn,Heron,5:06', ['time'])).toEqual(['finish']);
  // Between two pieces: the one that is over takes none.
  expect(readRoster('Ida Fenn,Heron,0:55', 2, [], ['over', 'distance']).entries[0]?.aims?.map(({ target }) => target?.want ?? null)).toEqual([null, 'finish']);
});

test('a heading without names is no athlete', () => {
  for (const text of ['team,target\nHeron,5:06', 'Target;Verein\n5:06;Heron']) {
    expect(readRoster(text, 1).troubles[0], text).toEqual({ line: 1, says: 'There is no column "name": write it above the names.' });
  }
  expect(readRoster('Ida,Team,5:06', 1)).toMatchObject({ troubles: [], entries: [{ spec: { name: 'Ida' } }] });
});

test('a spreadsheet of Western Europe: tenths behind a comma, letters of its own', () => {
  expect(readRoster('name;target\nIda;3:36,5', 1).entries[0]?.aims?.[0]?.target).toEqual({ want: 'finish', finish_ms: 216_500 });
  const bytes = (...codes: number[]) => new Uint8Array(codes).buffer;
  expect(tableText(bytes(0x4a, 0xfc, 0x72, 0x67))).toBe('Jürg');
  expect(tableText(bytes(0x4a, 0xc3, 0xbc, 0x72, 0x67))).toBe('Jürg');
});

describe('a roster with wrong lines', () => {
  const repeats = readPiece('6x350m/1:15');
  if (!repeats.ok) throw new Error(repeats.says);
  const spec = { title: '', repeats: repeats.value, clock: 'common_go', repeat_start: 'common_signal', count_ms: 10_000, call_sheet: [] } as const;
  const text = 'name,team,target\nJoe 3:05,Heron,3:05\nIda,Otter,2:03/500m\nBo,Otter,quick\nUma,,2.03/500';
  const read = readRoster(text, 1, [], ['distance'], { ...spec, repeats: [...spec.repeats], call_sheet: [] });

  test('says why, and offers what was probably meant', () => {
    expect(read.entries.map(({ spec }) => spec.name)).toEqual(['Ida']);
    expect([read.lines, read.heading]).toEqual([[3], 1]);
    expect(read.troubles).toEqual([
      { line: 2, says: 'Joe 3:05: 3:05 for all 2100m would be 0:44.0 for 500 m, faster than anyone rows.', meant: { typed: '3:05', text: '3:05/500m', says: '3:05 for 500 m?' } },
      { line: 4, says: expect.stringContaining('Bo: "quick" is not a target') },
      { line: 5, says: expect.stringContaining('Uma: "2.03/500" is not a target'), meant: { typed: '2.03/500', text: '2:03/500m', says: '2:03 for 500 m?' } },
    ]);
  });

  test('has the offer put in its place, and nowhere else', () => {
    const meant = read.troubles[0]?.meant;
    expect(meant && withMeant(text, 2, meant).split('\n')).toEqual(['name,team,target', 'Joe 3:05,Heron,3:05/500m', 'Ida,Otter,2:03/500m', 'Bo,Otter,quick', 'Uma,,2.03/500']);
  });

  test('keeps the wrong lines alone when the good ones are taken', () => {
    expect(leftOver(text, read, new Set([2, 4]))).toBe('name,team,target\nJoe 3:05,Heron,3:05\nBo,Otter,quick');
    expect(leftOver(text, read, new Set())).toBe('');
    expect(leftOver('Ida\n"Bo', readRoster('Ida\n"Bo', 1), new Set([2]))).toBe('"Bo');
  });
});
