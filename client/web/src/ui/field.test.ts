import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { decode, type Line, type Phase, type PieceView } from '../protocol/decode';
import { NOTHING_YET, reduce, type Session } from '../session/reduce';
import { SETTLING_MS, field, hasSide, missedRepeats, reachOf } from './field';

function shown(...files: string[]): Session {
  const state = files.reduce((before, file) => {
    const msg = decode(readFileSync(new URL(`../../../../protocol/examples/server/${file}`, import.meta.url), 'utf8'));
    if (msg === null) throw new Error(`${file} is not understood`);
    return reduce(before, msg.type === 'welcome' ? { news: 'welcome', msg } : { news: 'said', msg });
  }, NOTHING_YET);
  if (state.session === null) throw new Error('no welcome');
  return state.session;
}

test('everybody in the order of the server, with a name and what is shown', () => {
  const rows = field(shown('welcome-coach.json', 'standings.json'));
  const ranked = [...rows].sort((a, b) => a.order - b.order).slice(0, 2);
  expect(ranked.map(({ name, margin, finish }) => [name, margin, finish])).toEqual([
    ['Ilse Tarn', '+0.7 %', '7:35.9'],
    ['Bo Quillan', '−0.6 %', '5:59.3'],
  ]);
  expect(reachOf(rows)).toBe(2);
});

test('whoever is not ranked has a place in the list and no bar', () => {
  const rows = field(shown('welcome-coach.json', 'standings.json'));
  expect(rows.filter(({ guess }) => guess === null)).toHaveLength(3);
  expect(reachOf([])).toBe(1);
});

test('whose margin reads 0.0 % is neither ahead nor behind', () => {
  expect(['0.0 %', '−0.1 %', '+0.1 %'].map(hasSide)).toEqual([false, true, true]);
});

test('who came when repeats were over is known before there is a result, and is not taken for somebody who has just begun', () => {
  const rest_ms = 60_000;
  const work = { by: 'distance', distance_dm: 4_000 } as const;
  const rowing = (repeat: number): Phase => ({ phase: 'rowing', go_at_ms: 0, repeat, repeat_at_ms: 0 });
  const piece = (phase: Phase, more: Partial<PieceView['spec']> = {}, results: PieceView['results'] = []): PieceView => ({
    piece: 0, phase, results,
    spec: { title: '', repeats: [{ work, rest_ms }, { work, rest_ms }], clock: 'common_go', repeat_start: 'common_signal', count_ms: 0, call_sheet: [], ...more },
  });
  const line = (athlete: string, doing: Line['doing'], elapsed_ms = SETTLING_MS): Line => ({
    athlete, place: null, doing, not_heard: false, margin: null, projected: null, done_dm: 4_500, elapsed_ms, share_permille: 600, against_target: null,
  });
  const known = { finish: work, low: work, high: work, chance_permille: null } as unknown as Line['projected'];
  const lines = [line('late', 'rowing'), line('home', 'finished'), line('began', 'rowing', SETTLING_MS - 1), line('stood', 'stopped'), { ...line('well', 'rowing'), projected: known }];
  const standings = { piece: 0, at_ms: 0, lines, teams: [], calls: [], waits_for: [] };
  const of = (view: PieceView) => [...missedRepeats({ standings }, view)];
  expect(of(piece(rowing(1)))).toEqual(['late', 'home']);
  expect(of(piece({ phase: 'closing', go_at_ms: 0 }))).toEqual(['late', 'home']);
  // No repeat is over yet; each has a rest of their own; there is nothing to miss.
  expect(of(piece(rowing(0)))).toEqual([]);
  expect(of(piece(rowing(1), { repeat_start: 'own_rest' }))).toEqual([]);
  expect(of(piece({ phase: 'closing', go_at_ms: 0 }, { repeats: [{ work, rest_ms: 0 }] }))).toEqual([]);
  // The result says it, whatever else is known.
  const marked = { athlete: 'ida', marks: ['gaps', 'repeats_missed'] } as unknown as PieceView['results'][number];
  expect([...missedRepeats({ standings: null }, piece(rowing(1), {}, [marked]))]).toEqual(['ida']);
});
