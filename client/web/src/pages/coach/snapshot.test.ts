import { expect, test } from 'vitest';
import type { AthleteView, Doing, Line, Phase, Standings } from '../../protocol/decode';
import { welcome } from '../../session/faked';
import { NOTHING_YET, reduce, type Session } from '../../session/reduce';
import { isSettling, reachOf, renewed, rowsOf, teamsOf } from './snapshot';

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

/** One who is so many millionths ahead of a target of 400 s. */
const line = (athlete: string, place: number | null, ppm: number, elapsed_ms = 60_000, doing: Doing = 'rowing'): Line => {
  const finish = { want: 'finish', finish_ms: 400_000 - Math.round((ppm * 400) / 1_000) } as const;
  return {
    athlete, doing, place, not_heard: false, done_dm: 2_000, elapsed_ms, share_permille: 200, against_target: null,
    margin: { margin_ppm: ppm, margin_ms: Math.round((ppm * 400) / 1_000), margin_dm: null },
    projected: { finish, low: { want: 'finish', finish_ms: finish.finish_ms - 2_000 }, high: { want: 'finish', finish_ms: finish.finish_ms + 2_000 }, chance_permille: 500 },
  };
};
const at = (at_ms: number, ...lines: Line[]): Standings => ({ piece: 0, at_ms, lines, teams: [], calls: [], waits_for: [] });

test('a picture stands for three seconds of life, and is renewed at once when somebody stops or the piece is over', () => {
  const first = at(50_000, line('ida', 1, 9_000), line('bo', 2, 4_000));
  const soon = at(52_900, line('bo', 1, 12_000), line('ida', 2, 9_000));
  const later = at(53_000, line('bo', 1, 12_000), line('ida', 2, 9_000));
  expect(renewed(null, session(first))).toBe(first);
  expect(renewed(first, session(soon))).toBe(first);
  expect(renewed(first, session(later))).toBe(later);
  // Ten times faster than life three seconds are thirty.
  expect(renewed(first, session(later, ROWING, { speed: 10 }))).toBe(first);
  const stops = at(51_000, line('ida', 1, 9_000), line('bo', null, 4_000, 60_000, 'stopped'));
  expect(renewed(first, session(stops))).toBe(stops);
  expect(renewed(first, session(soon, { phase: 'finished', go_at_ms: 1_000 }))).toBe(soon);
  expect(renewed(first, session({ ...soon, piece: 1 }))).toMatchObject({ piece: 1 });
});

test('who shows the same margin has the same place, and the next one is counted on', () => {
  const standings = at(60_000, line('ida', 1, 5_400), line('bo', 2, 4_600), line('uma', 3, 4_400), line('joe', null, 0));
  const rows = [...rowsOf(session(standings), standings)].sort((a, b) => a.order - b.order);
  expect(rows.map(({ margin, place }) => `${place} ${margin}`)).toEqual(['1 +0.5 %', '1 +0.5 %', '3 +0.4 %', 'null 0.0 %']);
});

test('when it is over, places are those of the results', () => {
  const standings = at(60_000, line('bo', 1, 5_400), line('ada', 2, 4_600));
  const rows = rowsOf(session(standings, { phase: 'finished', go_at_ms: 1_000 }), standings);
  expect(rows.map(({ name, margin, order, place }) => [name, margin, order, place])).toEqual([['ada', '+0.5 %', 1, 2], ['bo', '+0.5 %', 0, 1]]);
});

test('results that read the same share a place: more decimals tell the others apart', () => {
  const standings = at(60_000, line('bo', 1, 5_400), line('ada', 2, 4_600), line('cy', 3, -20_000));
  const over = session(standings, { phase: 'finished', go_at_ms: 1_000 });
  const results = standings.lines.map(({ athlete, place, margin }) => ({ athlete, place, margin, marks: [] }) as unknown as Session['pieces'][number]['results'][number]);
  const rows = rowsOf({ ...over, pieces: over.pieces.map((piece) => ({ ...piece, results })) }, standings);
  expect(rows.map(({ name, margin, place }) => [name, margin, place])).toEqual([['ada', '+0.46 %', 2], ['bo', '+0.54 %', 1], ['cy', '−2.0 %', 3]]);
});

test('who has missed repeats is not settling, and has no place', () => {
  const missed = { ...line('late', null, 0), margin: null, projected: null };
  const standings = at(60_000, line('ida', 1, 5_400), missed, { ...missed, athlete: 'home', doing: 'finished' }, { ...missed, athlete: 'stood', doing: 'stopped' });
  const second = session(standings, { phase: 'rowing', go_at_ms: 1_000, repeat: 1, repeat_at_ms: 90_000 });
  const work = { by: 'distance', distance_dm: 4_000 } as const;
  const repeats = [{ work, rest_ms: 60_000 }, { work, rest_ms: 0 }];
  const pieces = second.pieces.map((piece) => ({ ...piece, spec: { ...piece.spec, repeats } }));
  const rows = rowsOf({ ...second, pieces }, standings);
  expect(rows.map(({ name, missed, settling, place }) => [name, missed, settling, place])).toEqual([
    ['home', true, false, null], ['ida', false, false, 1], ['late', true, false, null], ['stood', false, false, null],
  ]);
});

test('nobody stands above a better margin', () => {
  // The server lets two change places only when it is sure.
  const standings = at(60_000, line('ida', 1, 12_000), line('sam', 2, -8_000), line('ife', 3, -6_000), line('away', null, 99_000));
  const rows = [...rowsOf(session(standings), standings)].sort((a, b) => a.order - b.order);
  expect(rows.map(({ name, place }) => [name, place])).toEqual([['ida', 1], ['ife', 2], ['sam', 3], ['away', null]]);
  const bySeconds = session(standings);
  const ranked = rowsOf({ ...bySeconds, settings: { ...bySeconds.settings, ranking: 'amount' } }, standings);
  expect([...ranked].sort((a, b) => a.order - b.order).map(({ margin }) => margin)).toEqual(['+4.8 s', '−2.4 s', '−3.2 s', '+39.6 s']);
});

test('a bar lies on the side that the number says', () => {
  const standings = at(60_000, line('ida', 1, 400), line('bo', 2, -400), line('uma', 3, -600));
  const rows = [...rowsOf(session(standings), standings)].sort((a, b) => a.order - b.order);
  expect(rows.map(({ margin, guess }) => [margin, Math.sign(guess?.mean ?? NaN)])).toEqual([['0.0 %', 0], ['0.0 %', 0], ['−0.1 %', -1]]);
});

test('before anybody has rowed enough to tell, there is no place, no margin and no bar', () => {
  const early = at(15_000, line('ida', 1, 0, 14_000), line('bo', 1, 200, 12_000));
  expect(isSettling(session(early), early)).toBe(true);
  for (const row of rowsOf(session(early), early)) expect(row).toMatchObject({ place: null, guess: null, margin: '', finish: '' });
  const settled = at(22_000, line('ida', 1, 3_000, 21_000), line('bo', 2, 200, 19_000));
  expect(isSettling(session(settled), settled)).toBe(false);
  // Who came later settles alone.
  expect(rowsOf(session(settled), settled).map(({ name, place, settling }) => [name, place, settling])).toEqual([['bo', null, true], ['ida', 1, false]]);
  // The plan said again is no projection.
  const plan = at(30_000, { ...line('ida', 1, 0, 29_000), share_permille: 49 }, { ...line('bo', 2, 0, 29_000), share_permille: 51 });
  expect(rowsOf(session(plan), plan).map(({ settling }) => settling)).toEqual([false, true]);
  // What was rowed in earlier repeats tells.
  expect(isSettling(session(early, { phase: 'resting', go_at_ms: 1_000, next_repeat: 1, next_at_ms: 90_000 }), early)).toBe(false);
});

test('bars reach five per cent, whoever is beyond', () => {
  const standings = at(60_000, line('ida', 1, 20_000), line('bo', 2, 0), line('uma', 3, -247_000));
  const rows = rowsOf(session(standings), standings);
  expect(reachOf(rows, 'share')).toBe(5);
  // Of 400 s, in steps.
  expect(reachOf(rows, 'amount')).toBe(20);
  expect(reachOf([], 'amount')).toBe(5);
});

test('teams, too, stand as their numbers read', () => {
  const team = (name: string, place: number | null, mean_margin: number | null) => ({ team: name, place, mean_margin, counted: 3 });
  const standings = { ...at(60_000), teams: [team('Otter', 1, -9_400), team('Heron', 2, -8_000), team('Swift', 3, -8_040), team('Teal', null, null)] };
  expect(teamsOf(standings, 'share', '%')).toEqual([
    { team: 'Heron', place: 1, margin: '−0.8 %' },
    { team: 'Swift', place: 1, margin: '−0.8 %' },
    { team: 'Otter', place: 3, margin: '−0.9 %' },
    { team: 'Teal', place: null, margin: '' },
  ]);
  expect(teamsOf({ ...standings, teams: [team('Otter', 1, 2_340)] }, 'amount', 's')).toEqual([{ team: 'Otter', place: 1, margin: '+2.3 s' }]);
});
