import { expect, test } from 'vitest';
import type { AthleteResult, PieceView, Standings } from '../protocol/decode';
import { welcome } from '../session/faked';
import { NOTHING_YET, reduce, type Session } from '../session/reduce';
import { teamLines, teamsOfPiece } from './teams';

const result = (athlete: string, margin_ppm: number | null, outcome: AthleteResult['outcome'] = 'finished'): AthleteResult => ({
  athlete, outcome, place: null, target: null, time_ms: 300_000, distance_dm: 17_000, sure_ms: null, sure_dm: null, shown: null, estimate: null,
  margin: margin_ppm === null ? null : { margin_ppm, margin_ms: margin_ppm / 2, margin_dm: null }, splits: [], strokes: null, marks: [],
});
const TEAMS = new Map<string, string | null>([['h1', 'Heron'], ['h2', 'Heron'], ['h3', 'Heron'], ['o1', 'Otter'], ['o2', 'Otter'], ['guest', null]]);
const RESULTS = [result('h1', 9_000), result('h2', -2_000), result('h3', 4_001), result('o1', 6_000), result('o2', 7_000), result('guest', 90_000)];
const SHARE = { ranking: 'share', team_best: 0 } as const;
const read = (lines: readonly { team: string; place: number | null; mean_margin: number | null; counted: number }[]) =>
  lines.map(({ team, place, mean_margin, counted }) => `${place ?? '-'} ${team} ${mean_margin ?? ''} of ${counted}`).sort();

test('as many count of each team as the smallest has, or as many as are set; who rows for nobody counts for nobody', () => {
  // Best two of three: 9,000 and 4,001; half a millionth goes up.
  expect(read(teamLines(RESULTS, TEAMS, SHARE))).toEqual(['1 Heron 6501 of 2', '2 Otter 6500 of 2']);
  expect(read(teamLines(RESULTS, TEAMS, { ...SHARE, team_best: 1 }))).toEqual(['1 Heron 9000 of 1', '2 Otter 7000 of 1']);
  expect(read(teamLines(RESULTS, TEAMS, { ...SHARE, team_best: 3 }))).toEqual(['- Otter  of 0', '1 Heron 3667 of 3']);
  expect(read(teamLines(RESULTS, TEAMS, { ranking: 'amount', team_best: 1 }))).toEqual(['1 Heron 4500 of 1', '2 Otter 3500 of 1']);
});

test('who did not finish counts for nothing, equals share a place, and a team without a finisher has none', () => {
  const stopped = RESULTS.map((one) => (one.athlete.startsWith('o') ? { ...one, outcome: 'stopped' as const, margin: null } : one));
  expect(read(teamLines(stopped, TEAMS, SHARE))).toEqual(['- Otter  of 0', '1 Heron 3667 of 3']);
  const equal = [result('h1', 5_000), result('o1', 5_000)];
  expect(read(teamLines(equal, TEAMS, SHARE))).toEqual(['1 Heron 5000 of 1', '1 Otter 5000 of 1']);
  expect(teamLines([], TEAMS, SHARE)).toEqual([]);
});

test('of the current piece the server has told it, of those before the results say it', () => {
  const { session: made } = reduce(NOTHING_YET, { news: 'welcome', msg: welcome() });
  if (made === null) throw new Error('no session');
  const piece = (nth: number): PieceView => ({
    piece: nth, results: RESULTS, phase: { phase: 'finished', go_at_ms: 0 },
    spec: { title: '', repeats: [{ work: { by: 'distance', distance_dm: 17_000 }, rest_ms: 0 }], clock: 'common_go', repeat_start: 'common_signal', count_ms: 10_000, call_sheet: [] },
  });
  const athletes: Session['athletes'] = [...TEAMS].map(([athlete, team]) => ({
    athlete, spec: { name: athlete, team, heart_limit_bpm: null }, aim: { target: null, plan: { profile: 'even' }, history: [] }, on_board: 'name',
    doing: 'finished', cautions_read: true, machine: null, clock_bound_ms: null, heart_rate: false,
  }));
  const standings: Standings = { piece: 1, at_ms: 0, lines: [], calls: [], waits_for: [], teams: [{ team: 'Otter', place: 1, mean_margin: 8_000, counted: 2 }] };
  const session: Session = { ...made, settings: { ...made.settings, ...SHARE }, athletes, standings, pieces: [piece(0), piece(1)], current: 1 };
  expect(read(teamsOfPiece(session, piece(1)))).toEqual(['1 Otter 8000 of 2']);
  expect(teamsOfPiece(session, piece(0)).map(({ team, margin }) => [team, margin?.margin_ppm])).toEqual([['Heron', 6_501], ['Otter', 6_500]]);
  // A page that came after the end has heard no standings.
  expect(read(teamsOfPiece({ ...session, standings: null }, piece(1)))).toEqual(['1 Heron 6501 of 2', '2 Otter 6500 of 2']);
});
