import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { decode, type PieceView } from '../../protocol/decode';
import { NOTHING_YET, currentPiece, reduce, type Session } from '../../session/reduce';
import { fieldRows, reachOf, resultRows, teamResults, teamRows } from './rows';

function shown(...files: string[]): Session {
  const state = files.reduce((before, file) => {
    const msg = decode(readFileSync(new URL(`../../../../../protocol/examples/server/${file}`, import.meta.url), 'utf8'));
    if (msg === null) throw new Error(`${file} is not understood`);
    return reduce(before, msg.type === 'welcome' ? { news: 'welcome', msg } : { news: 'said', msg });
  }, NOTHING_YET);
  if (state.session === null) throw new Error('no welcome');
  return state.session;
}

test('those who are there, with no more digits than are known', () => {
  const session = shown('welcome-coach.json', 'standings.json');
  const rows = fieldRows(session, new Set());
  expect(rows.slice(0, 2).map(({ place, name, finish, margin, side }) => [place, name, finish, margin, side])).toEqual([
    ['1', 'Ilse Tarn', '7:36', '+0.7 %', 'ahead'],
    ['2', 'Bo Quillan', '5:59', '−0.6 %', 'behind'],
  ]);
  expect(rows.map(({ name }) => name)).not.toContain(undefined);
  const away = session.standings?.lines.filter(({ doing }) => doing === 'away').length ?? 0;
  expect(away).toBeGreaterThan(0);
  expect(rows).toHaveLength((session.standings?.lines.length ?? 0) - away);
});

test('athletes without a place stand where the server lists them, with the reason instead of a number', () => {
  const session = shown('welcome-coach.json', 'standings-not-ranked.json');
  const rows = fieldRows(session, new Set());
  expect(rows.map(({ place, margin, finish, side, quiet, heard, guess }) => [place, margin, finish, side, quiet, heard, guess])).toEqual([
    ['', '', '7:11', 'none', true, true, null],
    ['', 'missed repeats', '', 'none', true, true, null],
    ['', 'settling', '', 'none', true, true, null],
    ['', 'no signal', '', 'none', true, false, null],
    ['', 'out of competition', '6:42.7', 'none', true, true, null],
    ['', 'excluded', '6:42.7', 'none', true, true, null],
  ]);
  const stopped = fieldRows(shown('welcome-coach.json', 'standings.json'), new Set()).at(-1);
  expect(stopped).toMatchObject({ margin: 'stopped', place: '', finish: '', side: 'none', guess: null, quiet: true });
});

test('teams with the mean of their members', () => {
  const session = shown('welcome-coach.json', 'standings.json');
  expect(teamRows(session).map(({ place, name, margin, side }) => [place, name, margin, side])).toEqual([
    ['1', 'Herons', '+0.7 %', 'ahead'],
    ['2', 'Otters', '−0.6 %', 'behind'],
  ]);
});

test('results by place, who did not finish behind them, and who has stopped at the end without a number', () => {
  const session = shown('welcome-coach.json', 'events-results.json');
  const piece = currentPiece(session);
  if (piece === null || piece.results.length === 0) throw new Error('no results');
  const [one] = piece.results;
  if (one === undefined) throw new Error('no result');
  const more = [
    { ...one, athlete: 'a stopped', outcome: 'stopped' as const, place: null, shown: null, margin: null, distance_dm: 8_047 },
    { ...one, athlete: 'nobody', outcome: 'unfinished' as const, place: null, shown: null, margin: null, distance_dm: 8_047 },
    { ...one, athlete: 'second', place: 2 },
    { ...one, athlete: 'never', outcome: 'did_not_start' as const, place: null },
    { ...one, athlete: 'first', place: 1 },
  ];
  const rows = resultRows(session, { ...piece, results: more });
  expect(rows.map(({ key }) => key)).toEqual(['first', 'second', 'nobody', 'a stopped']);
  expect(rows[2]).toMatchObject({ place: '', finish: '804m', margin: 'unfinished', side: 'none' });
  expect(rows[3]).toMatchObject({ place: '', finish: '', margin: 'stopped', side: 'none' });
  expect(rows[0]?.guess?.sd).toBe(0);
});

test('results that read the same share a place: more decimals tell the others apart', () => {
  const session = shown('welcome-coach.json', 'events-results.json');
  const piece = currentPiece(session);
  const [one] = piece?.results ?? [];
  if (piece === null || one === undefined) throw new Error('no result');
  const results = ([[1, 6_200], [2, 5_800], [3, -40], [3, -40]] as const).map(([place, margin_ppm], nth) => ({
    ...one, athlete: String(nth), place, target: null, margin: { margin_ppm, margin_ms: null, margin_dm: null },
  }));
  expect(resultRows(session, { ...piece, results }).map(({ place, margin, side }) => `${place} ${margin} ${side}`)).toEqual([
    '1 +0.62 % ahead', '2 +0.58 % ahead', '3 0.0 % none', '3 0.0 % none',
  ]);
});

test('who was cut off, who was stopped with everybody and who missed repeats are told by different words', () => {
  const session = shown('welcome-coach.json', 'events-results.json');
  const piece = currentPiece(session);
  const [one] = piece?.results ?? [];
  if (piece === null || one === undefined) throw new Error('no result');
  const cut = { ...one, athlete: 'cut', outcome: 'unfinished' as const, place: null, shown: null, margin: null, marks: [] };
  const words = (phase: PieceView['phase']) =>
    resultRows(session, { ...piece, phase, results: [cut, { ...cut, athlete: 'late', marks: ['repeats_missed'] }] }).map(({ margin }) => margin);
  expect(words({ phase: 'finished', go_at_ms: 0 })).toEqual(['unfinished', 'missed repeats']);
  expect(words({ phase: 'stopped', go_at_ms: 0, stopped_at_ms: 1 })).toEqual(['stopped', 'missed repeats']);
});

test('teams when it is over have the places that count, told with the results or by the standings', () => {
  const session = shown('welcome-coach.json', 'standings.json');
  const { standings } = session;
  const piece = currentPiece(session);
  if (standings === null || piece === null) throw new Error('no standings');
  const teams = [6_040, 5_960].map((mean_margin, nth) => ({ team: `Team ${nth}`, place: nth + 1, mean_margin, counted: 12 }));
  const told = ['1 +0.604 %', '2 +0.596 %'];
  const read = (heard: typeof session, of: PieceView) => teamResults(heard, of).map(({ place, margin }) => `${place} ${margin}`);
  expect(read({ ...session, standings: { ...standings, teams } }, piece)).toEqual(told);
  // A board that is opened after the end has heard no standings; those of another piece say nothing about this one.
  expect(read({ ...session, standings: null }, { ...piece, teams })).toEqual(told);
  expect(read({ ...session, standings: { ...standings, piece: 7, teams: [] } }, { ...piece, teams })).toEqual(told);
});

test('bars reach 5 % whoever is how far out; by seconds as many as that is of a usual target', () => {
  const session = shown('welcome-coach.json', 'standings.json');
  const far = session.standings?.lines.map((line) => ({ ...line, margin: line.margin === null ? null : { ...line.margin, margin_ppm: -92_000 } })) ?? [];
  expect(reachOf(session)).toBe(5);
  expect(reachOf({ ...session, standings: session.standings === null ? null : { ...session.standings, lines: far } })).toBe(5);
  // Targets of 7:39.0 and 5:57.0: 5 % is between 17.9 and 23 s.
  expect(reachOf({ ...session, settings: { ...session.settings, ranking: 'amount' } })).toBe(30);
  expect(reachOf({ ...session, settings: { ...session.settings, ranking: 'amount' }, standings: null })).toBe(1);
});

test('a result that does not count stands last, with its word and without a number', () => {
  const session = shown('welcome-coach.json', 'events-results.json');
  const piece = currentPiece(session);
  const one = piece?.results[0];
  if (piece == null || one === undefined) throw new Error('no results');
  const excluded = { ...one, place: null, ruling: { ...one.ruling, unplaced: 'excluded' as const } };
  const rows = resultRows(session, { ...piece, results: [excluded, ...piece.results.slice(1)] });
  expect(rows.at(-1)).toMatchObject({ key: one.athlete, place: '', finish: '', margin: 'excluded', side: 'none', guess: null, quiet: true });
});
