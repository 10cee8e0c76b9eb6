import { expect, test } from 'vitest';
import type { AthleteView, PieceView, Target } from '../../protocol/decode';
import { readPiece, readTarget } from '../../ui/parse';
import { offered, seenFor, withTargets } from './targets';

function piece(typed: string): PieceView {
  const read = readPiece(typed);
  if (!read.ok) throw new Error(read.says);
  const spec: PieceView['spec'] = { title: '', repeats: read.value, clock: 'common_go', repeat_start: 'common_signal', count_ms: 10_000, call_sheet: [] };
  return { piece: 0, results: [], phase: { phase: 'gathering' }, spec };
}

function ida(typed: string | null): AthleteView {
  const read = typed === null ? null : readTarget(typed);
  const target: Target | null = read?.ok === true ? read.value : null;
  return {
    athlete: 'ida', spec: { name: 'Ida', team: null, heart_limit_bpm: null }, aim: { target, plan: { profile: 'even' }, history: [] }, on_board: 'name',
    doing: 'here', cautions_read: true, machine: null, clock_bound_ms: null, heart_rate: false,
  };
}

test('a target stays with the piece it was set for, whatever comes between', () => {
  const first = withTargets({}, piece('1700m'), [ida('5:06')]);
  expect(offered(first, 'ida', piece('1700m'))).toEqual({ typed: '5:06.0', from: null });
  // Gone along with the piece, it is not forgotten.
  expect(withTargets(first, piece('6x350m/1:15'), [ida(null)])).toBe(first);
  const second = withTargets(first, piece('6x350m/1:15'), [ida('1:28/500m')]);
  expect(offered(second, 'ida', piece('1700m'))).toEqual({ typed: '5:06.0', from: null });
  expect(offered(second, 'ida', piece('6x350m/1:15'))).toEqual({ typed: '1:28.0/500m', from: null });
  expect(withTargets(second, piece('1700m'), [ida('5:06')])).toBe(second);
  expect(offered(second, 'bo', piece('1700m'))).toBeNull();
});

test('for a piece that is new the pace of the last one is offered', () => {
  const known = withTargets(withTargets({}, piece('2000m'), [ida('7:20')]), piece('1700m'), [ida('5:06')]);
  expect(offered(known, 'ida', piece('6x350m/1:15'))).toEqual({ typed: '1:30.0/500m', from: '1700m' });
  expect(offered(known, 'ida', piece('12min'))).toEqual({ typed: '1:30.0/500m', from: '1700m' });
  // The newest is the last that was changed.
  const again = withTargets(known, piece('2000m'), [ida('8:00')]);
  expect(offered(again, 'ida', piece('12min'))).toEqual({ typed: '2:00.0/500m', from: '2000m' });
});

test('a target that is still to go with the piece before is none of the new one', () => {
  const before = [ida('5:06')];
  const first = seenFor(null, piece('1700m'), before);
  expect([...first.stale]).toEqual([]);
  const second = seenFor(first, piece('6x350m/1:15'), before);
  expect([...second.stale]).toEqual(before);
  // Told again, she is looked at again.
  const after = [ida(null)];
  expect(after.filter((view) => !seenFor(second, piece('6x350m/1:15'), after).stale.has(view))).toEqual(after);
});
