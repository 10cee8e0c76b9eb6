import { expect, test } from 'vitest';
import type { AthleteView, Doing, Line, Phase, Standings } from '../../protocol/decode';
import { welcome } from '../../session/faked';
import { NOTHING_YET, reduce, type Session } from '../../session/reduce';
import { isSettling, reachOf, rowsOf, teamsOf } from './listed';

const ROWING: Phase = { phase: 'rowing', go_at_ms: 1_000, repeat: 0, repeat_at_ms: 1_000 };

function session(standings: Standings, phase: Phase = ROWING, more: Partial<Session> = {}): Session {
  const { session: made } = reduce(NOTHING_YET, { news: 'welcome', msg: welcome() });
  if (made === null) throw new Error('no session');
  const pieces: Session['pieces'] = [{
    piece: 0, results: [], phase,
    spec: { title: '', repeats: [], clock: 'common_go', repeat_start: 'common_signal', count_ms: 10_000, call_sheet: [] },
  }];
  const athletes = standings.lines.map(({ athlete }): AthleteView => ({
    athlete, spec: { name: athlete, team: null, heart_limit_bpm: null }, aim: { target: null, plan: { profile: 'even' }, history: [] }, on_board: 'name',
    doing: 'rowing', cautions_read: true, machine: null, clock_bound_ms: null, heart_rate: false,
  }));
  return { ...made, current: 0, pieces, athletes, standings, speed: 1, ...more };
}

/** Somebody who is this many millionths ahead of a target of 400 s. */
const line = (athlete: string, place: number | null, ppm: number, elapsed_ms = 60_000, doing: Doing = 'rowing'): Line => {
  const finish = { want: 'finish', finish_ms: 400_000 - Math.round((ppm * 400) / 1_000) } as const;
  return {
    athlete, doing, place, not_heard: false, done_dm: 2_000, elapsed_ms, share_permille: 200, against_target: null, instead: null,
    margin: { margin_ppm: ppm, margin_ms: Math.round((ppm * 400) / 1_000), margin_dm: null },
    projected: { finish, low: { want: 'finish', finish_ms: finish.finish_ms - 2_000 }, high: { want: 'finish', finish_ms: finish.finish_ms + 2_000 }, chance_permille: 500 },
  };
};
const at = (at_ms: number, ...lines: Line[]): Standings => ({ piece: 0, at_ms, drawn_at_ms: 0, lines, teams: [], calls: [], waits_for: [] });

test('when it is over, places are those of the results', () => {
  const standings = at(60_000, line('bo', 1, 5_400), line('ada', 2, 4_600));
  const rows = rowsOf(session(standings, { phase: 'finished', go_at_ms: 1_000 }));
  expect(rows.map(({ name, margin, order, line: { place } }) => [name, margin, order, place])).toEqual([['ada', '+0.5 %', 1, 2], ['bo', '+0.5 %', 0, 1]]);
});

test('results that read the same share a place: more decimals tell the others apart', () => {
  const standings = at(60_000, line('bo', 1, 5_400), line('ada', 2, 4_600), line('cy', 3, -20_000));
  const over = session(standings, { phase: 'finished', go_at_ms: 1_000 });
  const results = standings.lines.map(({ athlete, place, margin }) => ({ athlete, place, margin, marks: [] }) as unknown as Session['pieces'][number]['results'][number]);
  const rows = rowsOf({ ...over, pieces: over.pieces.map((piece) => ({ ...piece, results })) });
  expect(rows.map(({ name, margin, line: { place } }) => [name, margin, place])).toEqual([['ada', '+0.46 %', 2], ['bo', '+0.54 %', 1], ['cy', '−2.0 %', 3]]);
});

test('before anybody has rowed enough to tell, the list says so', () => {
  const young = (athlete: string): Line => ({ ...line(athlete, null, 0, 14_000), instead: 'settling', margin: null, projected: null });
  const early = at(15_000, young('ida'), young('bo'));
  expect(isSettling(session(early))).toBe(true);
  for (const row of rowsOf(session(early))) expect(row).toMatchObject({ guess: null, margin: '', finish: '' });
  // Somebody who came later settles alone.
  expect(isSettling(session(at(22_000, line('ida', 1, 3_000, 21_000), young('bo'))))).toBe(false);
  // What was rowed in earlier repeats counts.
  expect(isSettling(session(early, { phase: 'resting', go_at_ms: 1_000, next_repeat: 1, next_at_ms: 90_000 }))).toBe(false);
});

test('bars reach five per cent, whoever is beyond', () => {
  const standings = at(60_000, line('ida', 1, 20_000), line('bo', 2, 0), line('uma', 3, -247_000));
  const rows = rowsOf(session(standings));
  expect(reachOf(rows, 'share')).toBe(5);
  // Of 400 s, in steps.
  expect(reachOf(rows, 'amount')).toBe(20);
  expect(reachOf([], 'amount')).toBe(5);
});

test('teams stand as the server lists them', () => {
  const team = (name: string, place: number | null, mean_margin: number | null) => ({ team: name, place, mean_margin, counted: 3 });
  const standings = { ...at(60_000), teams: [team('Heron', 1, -8_000), team('Swift', 1, -8_000), team('Teal', null, null)] };
  expect(teamsOf(session(standings), '%')).toEqual([
    { team: 'Heron', place: 1, margin: '−0.8 %' },
    { team: 'Swift', place: 1, margin: '−0.8 %' },
    { team: 'Teal', place: null, margin: '' },
  ]);
  const amount = session({ ...standings, teams: [team('Otter', 1, 2_300)] });
  expect(teamsOf({ ...amount, settings: { ...amount.settings, ranking: 'amount' } }, 's')).toEqual([{ team: 'Otter', place: 1, margin: '+2.3 s' }]);
});
