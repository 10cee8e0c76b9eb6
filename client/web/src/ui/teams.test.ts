import { expect, test } from 'vitest';
import type { PieceView, Standings } from '../protocol/decode';
import { welcome } from '../session/faked';
import { NOTHING_YET, reduce, type Session } from '../session/reduce';
import { teamsOfPiece } from './teams';

const read = (lines: readonly { team: string; place: number | null; mean_margin: number | null; counted: number }[]) =>
  lines.map(({ team, place, mean_margin, counted }) => `${place ?? '-'} ${team} ${mean_margin ?? ''} of ${counted}`);

test('teams are told with the results; until then the standings of the piece have them', () => {
  const { session: made } = reduce(NOTHING_YET, { news: 'welcome', msg: welcome() });
  if (made === null) throw new Error('no session');
  const piece = (nth: number, more: Partial<PieceView> = {}): PieceView => ({
    piece: nth, results: [], phase: { phase: 'finished', go_at_ms: 0 },
    spec: { title: '', repeats: [{ work: { by: 'distance', distance_dm: 17_000 }, rest_ms: 0 }], clock: 'common_go', repeat_start: 'common_signal', count_ms: 10_000, call_sheet: [] },
    ...more,
  });
  const standings: Standings = { piece: 1, at_ms: 0, drawn_at_ms: 0, lines: [], calls: [], waits_for: [], teams: [{ team: 'Otter', place: 1, mean_margin: 8_000, counted: 2 }] };
  const session: Session = { ...made, standings };
  expect(read(teamsOfPiece(session, piece(1)))).toEqual(['1 Otter 8000 of 2']);
  expect(read(teamsOfPiece(session, piece(0)))).toEqual([]);
  const teams = [{ team: 'Newt', place: null, mean_margin: null, counted: 0 }, { team: 'Heron', place: 1, mean_margin: 6_501, counted: 2 }];
  expect(read(teamsOfPiece(session, piece(0, { teams })))).toEqual(['1 Heron 6501 of 2', '- Newt  of 0']);
  expect(read(teamsOfPiece(session, piece(1, { teams })))).toEqual(['1 Heron 6501 of 2', '- Newt  of 0']);
  expect(teamsOfPiece(session, piece(0, { teams })).map(({ margin }) => margin?.margin_ppm)).toEqual([6_501, undefined]);
});
