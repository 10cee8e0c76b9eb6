import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { decode, type Line } from '../../protocol/decode';
import { NOTHING_YET, currentPiece, reduce, type Session } from '../../session/reduce';
import { fieldRows, resultRows, sidesOf, teamRows } from './rows';

function shown(...files: string[]): Session {
  const state = files.reduce((before, file) => {
    const msg = decode(readFileSync(new URL(`../../../../../protocol/examples/server/${file}`, import.meta.url), 'utf8'));
    if (msg === null) throw new Error(`${file} is not understood`);
    return reduce(before, msg.type === 'welcome' ? { news: 'welcome', msg } : { news: 'said', msg });
  }, NOTHING_YET);
  if (state.session === null) throw new Error('no welcome');
  return state.session;
}

const line = (margin_ppm: number): Line => ({
  athlete: 'ilse',
  place: 1,
  doing: 'rowing',
  not_heard: false,
  margin: { margin_ppm, margin_ms: null, margin_dm: null },
  projected: null,
  done_dm: 4_000,
  elapsed_ms: 90_000,
  share_permille: 300,
});

test('nobody goes to and fro across the line: a small change of side has to last for five seconds', () => {
  let sides = sidesOf(new Map(), [line(300)], 0);
  const at = (ms: number, ppm: number) => (sides = sidesOf(sides, [line(ppm)], ms)).get('ilse')?.side;
  expect(at(1_000, -400)).toBe('ahead');
  expect(at(2_000, 200)).toBe('ahead');
  expect(at(3_000, -400)).toBe('ahead');
  expect(at(7_900, -400)).toBe('ahead');
  expect(at(8_000, -400)).toBe('behind');
  // A clear change is shown at once.
  expect(at(8_500, 1_001)).toBe('ahead');
});

test('those who are there, in the order of the server, with no more digits than are known', () => {
  const session = shown('welcome-coach.json', 'standings.json');
  const rows = fieldRows(session, new Map(), new Set());
  expect(rows.slice(0, 2).map(({ place, name, finish, margin, side }) => [place, name, finish, margin, side])).toEqual([
    ['1', 'Ilse Tarn', '7:36', '+0.7 %', 'ahead'],
    ['2', 'Bo Quillan', '5:59', '−0.6 %', 'behind'],
  ]);
  expect(rows.map(({ name }) => name)).not.toContain(undefined);
  const away = session.standings?.lines.filter(({ doing }) => doing === 'away').length ?? 0;
  expect(away).toBeGreaterThan(0);
  expect(rows).toHaveLength((session.standings?.lines.length ?? 0) - away);
});

test('whoever has stopped is left in peace, and who has not begun has no standing', () => {
  const session = shown('welcome-coach.json', 'standings.json');
  const { standings } = session;
  if (standings === null) throw new Error('no standings');
  const [first, second, ...others] = standings.lines;
  if (first === undefined || second === undefined) throw new Error('nobody rows');
  const changed = { ...standings, lines: [{ ...first, doing: 'stopped' as const, place: null }, { ...second, not_heard: false, done_dm: 0 }, ...others] };
  const rows = fieldRows({ ...session, standings: changed }, new Map(), new Set());
  expect(rows[0]).toMatchObject({ margin: 'stopped', side: 'none', guess: null, quiet: true });
  expect(rows[1]).toMatchObject({ margin: '', finish: '', side: 'none', guess: null });
});

test('teams with the mean of their members', () => {
  expect(teamRows(shown('welcome-coach.json', 'standings.json')).map(({ place, name, margin, side }) => [place, name, margin, side])).toEqual([
    ['1', 'Herons', '+0.7 %', 'ahead'],
    ['2', 'Otters', '−0.6 %', 'behind'],
  ]);
});

test('results by place, and who did not finish behind them', () => {
  const session = shown('welcome-coach.json', 'events-results.json');
  const piece = currentPiece(session);
  if (piece === null || piece.results.length === 0) throw new Error('no results');
  const [one] = piece.results;
  if (one === undefined) throw new Error('no result');
  const more = [
    { ...one, athlete: 'nobody', outcome: 'stopped' as const, place: null, shown: null, margin: null, distance_dm: 8_047 },
    { ...one, athlete: 'second', place: 2 },
    { ...one, athlete: 'never', outcome: 'did_not_start' as const, place: null },
    { ...one, athlete: 'first', place: 1 },
  ];
  const rows = resultRows(session, { ...piece, results: more });
  expect(rows.map(({ key }) => key)).toEqual(['first', 'second', 'nobody']);
  expect(rows[2]).toMatchObject({ place: '', finish: '804m', margin: 'stopped', side: 'none' });
  expect(rows[0]?.guess?.sd).toBe(0);
});
