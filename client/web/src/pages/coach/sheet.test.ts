import { expect, test } from 'vitest';
import type { Line, SentCall } from '../../protocol/decode';
import { readPiece } from '../../ui/parse';
import { planText, readPlan } from './plan';
import { callText, nextOfSheet, readCall, readLines, readSheet, readSheetCall, shareOf, sheetText } from './sheet';

// The same lines that the command-line program is tested with.
test('every kind of point and length is read, and written as it was typed', () => {
  for (const line of [
    '850m: Sit tall / Tall, and breathe out for 30s',
    'last 200m: Good for you',
    '4:00: Loose hands for 1 stroke',
    'stroke 40: Sit tall for 10 strokes',
    '1.5km: Reach for 1:30',
  ]) {
    const read = readSheetCall(line);
    expect(read.ok ? sheetText(read.value) : read.says).toBe(line.replace('1.5km', '1500m').replace('4:00:', '4min:'));
  }
  expect(readSheetCall('850m: Reach for more')).toMatchObject({ value: { text: { shown: 'Reach for more' }, span: { until: 'next' } } });
});

test('a line that cannot be used is named, the others stay', () => {
  const { values, troubles } = readLines('850m: Sit tall\n\nsoon: Sit tall\n900m: One two three four\n950m:  ', readSheetCall);
  expect(values.length).toBe(1);
  expect(troubles).toEqual([
    { line: 3, says: '"soon: Sit tall" has no point; begin like "850m: Sit tall", or with last 200m, 4:00 or stroke 40.' },
    { line: 4, says: '"One two three four" is too long to be read from a machine: at most 3 words and 18 characters.' },
    { line: 5, says: 'A call needs words to show.' },
  ]);
});

// The same lines that the command-line program is tested with.
test('a call in each repeat is one call at the same point of every repeat that is long enough', () => {
  const read = (text: string, piece: string) => {
    const repeats = readPiece(piece);
    const { values, troubles } = readSheet(text, repeats.ok ? repeats.value : []);
    return [...values.map(sheetText), ...troubles.map(({ says }) => says)];
  };
  expect(read('each 100m: Sit tall for 5 strokes', '3x350m/1:00')).toEqual(['100m: Sit tall for 5 strokes', '450m: Sit tall for 5 strokes', '800m: Sit tall for 5 strokes']);
  expect(read('each last 50m: Legs first\nlast 200m: Long reach', '2x350m/1:00')).toEqual(['300m: Legs first', '650m: Legs first', 'last 200m: Long reach']);
  expect(read('each 0:30: Sit tall', '2min/1:00+20s/1:00+1min')).toEqual(['0:30: Sit tall', '2:50: Sit tall']);
  for (const [line, piece] of [['each 400m: Sit tall', '3x350m/1:00'], ['each 350m: Sit tall', '3x350m/1:00'], ['each 0:30: Sit tall', '3x350m/1:00'], ['each stroke 5: Sit tall', '3x350m/1:00'], ['each 100m: Sit tall', 'boat']] as const) {
    expect(read(line, piece)).toEqual([`"${line}" lies in none of the repeats; type one like "each 100m: Sit tall" or "each last 50m: Legs first".`]);
  }
});

test('a prepared call keeps what is spoken', () => {
  const read = readCall('Long reach / Long, and let the handle go');
  expect(read.ok && callText(read.value.text)).toBe('Long reach / Long, and let the handle go');
  expect(readCall(`Reach / ${'a'.repeat(121)}`).ok).toBe(false);
});

test('a plan is read as the command line reads it', () => {
  for (const typed of ['even', 'fast_start', 'negative_split', '500m@1:55+1200m@2:01.5']) {
    const read = readPlan(typed);
    expect(read.ok && planText(read.value)).toBe(typed);
  }
  expect(readPlan('').ok && readPlan('Fast start').ok).toBe(true);
  expect(readPlan('500m@quick').ok).toBe(false);
});

test('the sheet says what comes next for those who row, and how many have had it', () => {
  const piece = readPiece('1700m');
  const sheet = readLines('400m: Sit tall\n1200m: Long reach for 10 strokes', readSheetCall).values;
  const spec = { title: '', repeats: piece.ok ? piece.value : [], clock: 'common_go', repeat_start: 'common_signal', count_ms: 10_000, call_sheet: [...sheet] } as const;
  const line = (athlete: string, doing: Line['doing']): Line => ({
    athlete, doing, place: null, not_heard: false, margin: null, projected: null, done_dm: 0, elapsed_ms: 0, share_permille: 0, against_target: null, instead: null,
  });
  const sent = (entry: number, athletes: string[]): SentCall => ({
    call: String(entry), text: { shown: '', spoken: '' }, span: { until: 'next' }, sent_at_ms: 0, athletes, replaced: [], sheet: entry,
  });
  const lines = [line('ida', 'rowing'), line('bo', 'rowing'), line('uma', 'stopped')];
  const piece17 = { ...spec, repeats: [...spec.repeats], call_sheet: [...spec.call_sheet] };
  expect(nextOfSheet(piece17, [sent(0, ['ida'])], lines)).toMatchObject({ entry: { text: { shown: 'Sit tall' } }, had: 1, of: 2 });
  expect(nextOfSheet(piece17, [sent(0, ['ida', 'bo'])], lines)).toMatchObject({ entry: { text: { shown: 'Long reach' } }, had: 0, of: 2 });
  expect(nextOfSheet(piece17, [sent(0, ['ida', 'bo']), sent(1, ['bo', 'ida'])], lines)).toBeNull();
  expect(sheet.map(({ at }) => shareOf(at, piece17))).toEqual([400 / 1_700, 1_200 / 1_700]);
});
