import { expect, test } from 'vitest';
import type { PieceView } from '../../protocol/decode';
import { correctionText, readRuling, ruledRemarks, wouldBeText } from './rulings';

const work = (by: 'distance' | 'time') => (by === 'distance' ? ({ by, distance_dm: 5_000 } as const) : ({ by, time_ms: 240_000 } as const));
function piece(by: 'distance' | 'time'): PieceView {
  const spec: PieceView['spec'] = { title: '', repeats: [{ work: work(by), rest_ms: 0 }], clock: 'common_go', repeat_start: 'common_signal', count_ms: 10_000, call_sheet: [] };
  return { piece: 3, spec, phase: { phase: 'finished', go_at_ms: 0 }, results: [] };
}

const of = { athlete: 'ana', typed: '1:44.2', reason: ' the monitor said so ' };

test('a finish is a time or a distance, as the piece is measured', () => {
  const read = readRuling(piece('distance'), { ...of, what: 'finish' });
  expect(read).toEqual({ ok: true, value: { do: 'correct_result', piece: 3, athlete: 'ana', reason: 'the monitor said so', finish: { want: 'finish', finish_ms: 104_200 } } });
  expect(readRuling(piece('time'), { ...of, what: 'finish' }).ok).toBe(false);
  expect(readRuling(piece('time'), { ...of, what: 'finish', typed: '1120m' })).toMatchObject({ value: { finish: { want: 'distance', distance_dm: 11_200 } } });
});

test('what takes a place needs a reason and no number', () => {
  expect(readRuling(piece('distance'), { ...of, what: 'exclude', typed: '' })).toMatchObject({ ok: true, value: { do: 'exclude' } });
  expect(readRuling(piece('distance'), { ...of, what: 'unrank', typed: '' })).toMatchObject({ ok: true, value: { do: 'unrank' } });
  expect(readRuling(piece('distance'), { ...of, what: 'exclude', reason: '   ' }).ok).toBe(false);
  expect(readRuling(piece('distance'), { ...of, what: 'target', typed: 'fast' }).ok).toBe(false);
});

test('what stands is told whose it is, what, and why', () => {
  const correction = { command: 'c', athlete: 'ana', at_ms: 9, reason: 'read off the screen' } as const;
  expect(correctionText('Ana', { ...correction, corrected: 'finish', finish: { want: 'finish', finish_ms: 104_200 } })).toBe('Ana: result 1:44.2 (read off the screen)');
  expect(correctionText('Ana', { ...correction, corrected: 'target', target: null })).toBe('Ana: no target (read off the screen)');
  expect(correctionText('Ana', { ...correction, corrected: 'excluded' })).toContain('excluded');
  const would = { outcome: 'finished', time_ms: 1, distance_dm: 1, shown: { want: 'finish', finish_ms: 104_200 }, margin: null, place: 3 } as const;
  expect(wouldBeText('Ana', would)).toBe('More of Ana’s strokes came: 1:44.2, would be place 3. Reopen to count them.');
});

test('a result nobody has ruled about has no remark of it', () => {
  const result = { athlete: 'ana', outcome: 'finished', place: 1, target: null, time_ms: 1, distance_dm: 1, sure_ms: null, sure_dm: null, shown: null, margin: null, estimate: null, splits: [], strokes: null, marks: [], calls: [] } as unknown as Parameters<typeof ruledRemarks>[0];
  expect(ruledRemarks(result)).toEqual([]);
  expect(ruledRemarks({ ...result, ruling: { unplaced: 'excluded' } })).toEqual(['excluded']);
});
