import { expect, test } from 'vitest';
import { pastText, readPast } from './past';

test('past results are read newest first, and written as they are typed', () => {
  const read = readPast(' 7:11@40d + 7:06.2 @ 9d ');
  expect(read).toEqual({
    ok: true,
    value: [{ days_ago: 9, result: { want: 'finish', finish_ms: 426_200 } }, { days_ago: 40, result: { want: 'finish', finish_ms: 431_000 } }],
  });
  if (!read.ok) throw new Error(read.says);
  expect(readPast(pastText(read.value))).toEqual(read);
  expect(readPast('3120m@0d')).toEqual({ ok: true, value: [{ days_ago: 0, result: { want: 'distance', distance_dm: 31_200 } }] });
  expect(readPast('  ')).toEqual({ ok: true, value: [] });
});

test('what is no past result says what to type', () => {
  for (const typed of ['7:06', '7:06@9', '7:66@9d', '2:03/500m@9d', '@9d', '7:06@9d+', '7:06@-1d']) {
    expect(readPast(typed), typed).toMatchObject({ ok: false, says: expect.stringContaining('like 7:06@9d or 3120m@40d') });
  }
  expect(readPast(Array.from({ length: 101 }, (_, nth) => `7:06@${nth}d`).join('+'))).toMatchObject({ ok: false, says: expect.stringContaining('leave out the oldest') });
});
