import { expect, test } from 'vitest';
import type { AthleteView, Line, PieceSpec } from '../../protocol/decode';
import { welcome } from '../../session/faked';
import { NOTHING_YET, reduce, type Session } from '../../session/reduce';
import { closingText, leftMs } from './closing';

const metres = (distance_dm: number, rest_ms = 0) => ({ work: { by: 'distance', distance_dm }, rest_ms }) as const;
const spec = (more: Partial<PieceSpec> = {}): PieceSpec => ({
  title: '', repeats: [metres(17_000)], clock: 'common_go', repeat_start: 'common_signal', count_ms: 10_000, call_sheet: [], ...more,
});
const line = (athlete: string, more: Partial<Line> = {}): Line => ({
  athlete, doing: 'rowing', place: null, not_heard: false, margin: null, projected: null, done_dm: 14_000, elapsed_ms: 330_000, share_permille: 800, against_target: null, instead: null, ...more,
});
const heads = (finish_ms: number): Pick<Line, 'projected'> => {
  const finish = { want: 'finish', finish_ms } as const;
  return { projected: { finish, low: finish, high: finish, chance_permille: null } };
};

function told(lines: readonly Line[], waits_for: readonly string[], more: Partial<Session['standings']> = {}, details: Session['details'] = []): string {
  const { session: made } = reduce(NOTHING_YET, { news: 'welcome', msg: welcome() });
  if (made === null) throw new Error('no session');
  const athletes = lines.map(({ athlete }): AthleteView => ({
    athlete, spec: { name: athlete, team: null, heart_limit_bpm: null }, aim: { target: null, plan: { profile: 'even' }, history: [] }, on_board: 'name',
    doing: 'rowing', cautions_read: true, machine: null, clock_bound_ms: null, heart_rate: false,
  }));
  const standings = { piece: 0, at_ms: 0, drawn_at_ms: 0, lines: [...lines], teams: [], calls: [], waits_for: [...waits_for], ...more };
  const pieces: Session['pieces'] = [{ piece: 0, results: [], phase: { phase: 'closing', go_at_ms: 0 }, spec: spec() }];
  return closingText({ ...made, current: 0, pieces, athletes, standings, details });
}

test('whom closing cuts off is named, soonest home first, with how long each would need where that is known', () => {
  const lines = [line('Ida', heads(401_200)), line('Bo', heads(368_000)), line('Uma'), line('Cy', { ...heads(340_000), not_heard: true }), line('Dan', heads(331_000))];
  expect(told(lines.slice(0, 2), ['Ida', 'Bo'])).toBe('Waiting for Bo (about 0:40) and Ida (about 1:15)');
  expect(told(lines.slice(0, 3), ['Ida', 'Uma'])).toBe('Waiting for Ida (about 1:15) and Uma');
  expect(told(lines.slice(3), ['Cy'])).toBe('Waiting for Cy (no signal)');
  expect(told(lines, ['Ida', 'Bo', 'Uma', 'Cy', 'Dan'])).toBe('Waiting for Dan (about 0:05), Bo (about 0:40), Ida (about 1:15) and 2 more');
  expect(told(lines, [])).toBe('');
  // Somebody who has stopped needs no time; when nobody else is out, nobody is waited for.
  const [ida, gus] = [line('Ida', heads(401_200)), line('Gus', { doing: 'stopped' })];
  expect(told([ida, gus], ['Ida', 'Gus'])).toBe('Waiting for Ida (about 1:15) and Gus (stopped)');
  expect(told([ida, gus], ['Gus'], { nobody_rows_since_ms: 400_000 })).toBe('All others are in. Stopped: Gus');
  // The lines stand for a while; what was rowed in the meantime is known.
  const now = { athlete: 'Ida', done_dm: 14_400, elapsed_ms: 340_000, pace_per_500m_ms: null, plan_per_500m_ms: null, rate_half_spm: null, heart_bpm: null, call: null, call_strokes_left: null };
  expect(told([ida], ['Ida'], {}, [now])).toBe('Waiting for Ida (about 1:05)');
});

test('time that is left is left whatever the projection; rests of their own are still to come', () => {
  const minutes = spec({ repeats: [{ work: { by: 'time', time_ms: 360_000 }, rest_ms: 0 }] });
  const metresAhead = { want: 'distance', distance_dm: 15_000 } as const;
  expect(leftMs(line('a', { projected: { finish: metresAhead, low: metresAhead, high: metresAhead, chance_permille: null } }), minutes)).toBe(30_000);
  const own = spec({ repeats: [metres(5_000, 60_000), metres(5_000, 90_000), metres(5_000)], repeat_start: 'own_rest' });
  expect(leftMs(line('a', { ...heads(400_000), done_dm: 4_000 }), own)).toBe(70_000 + 150_000);
  expect(leftMs(line('a', { ...heads(400_000), done_dm: 5_000 }), own)).toBe(70_000 + 90_000);
  expect(leftMs(line('a', { ...heads(400_000), done_dm: 12_000 }), own)).toBe(70_000);
  // Longer than was thought.
  expect(leftMs(line('a', heads(320_000)), spec())).toBe(0);
});
