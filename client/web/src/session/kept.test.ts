import { describe, expect, test } from 'vitest';
import type { Durable, Sample } from '../protocol/decode';
import { Kept } from './kept';

const RUN = '7c1f0f3e-2d4b-4a59-9c36-8e5b1a70d2f4';
const LATER = 10_000_000;

function kept(samples: number): Kept {
  const recording = new Kept(RUN);
  for (let nth = 1; nth <= samples; nth += 1) recording.record({ heard_ms: nth * 2_000, distance_dm: nth * 70 });
  return recording;
}

function durable(through: number, beyond: [number, number][] = []): Durable {
  return { run: RUN, through_seq: through, beyond };
}

function seqs(recording: Kept, past = LATER, now = 0): number[] {
  const next = recording.next(past, now);
  return next?.type === 'samples' ? next.samples.map(({ seq }) => seq) : [];
}

function range(from: number, to: number): number[] {
  return Array.from({ length: to - from + 1 }, (_, nth) => from + nth);
}

describe('samples are sent', () => {
  test('oldest first, a hundred at a time, each once', () => {
    const recording = kept(230);
    expect(recording.welcomed('a', null)).toEqual({ resumed: 'goes_on', behind: 230 });
    expect(seqs(recording)).toEqual(range(1, 100));
    expect(seqs(recording)).toEqual(range(101, 200));
    expect(seqs(recording)).toEqual(range(201, 230));
    expect(recording.next(LATER, 0)).toBeNull();
  });

  test('not before their instant has come on the server', () => {
    const recording = kept(3);
    recording.welcomed('a', null);
    expect(seqs(recording, 1_999)).toEqual([]);
    expect(seqs(recording, 4_000)).toEqual([1, 2]);
    expect(seqs(recording, 6_000)).toEqual([3]);
  });

  test('again after a second and a half without progress, but for what is durable', () => {
    const recording = kept(5);
    recording.welcomed('a', null);
    expect(seqs(recording, LATER, 100)).toEqual([1, 2, 3, 4, 5]);
    recording.acknowledged(durable(2, [[4, 4]]), 1_000);
    expect(seqs(recording, LATER, 2_499)).toEqual([]);
    expect(seqs(recording, LATER, 2_500)).toEqual([3, 5]);
    recording.acknowledged(durable(5), 2_600);
    expect(recording.pending).toBe(0);
    expect(recording.next(LATER, 99_000)).toBeNull();
  });

  test('no faster than they become durable', () => {
    const recording = kept(2_500);
    recording.welcomed('a', null);
    let sent = 0;
    for (let batch = seqs(recording); batch.length > 0; batch = seqs(recording)) sent += batch.length;
    expect(sent).toBe(1_000);
    recording.acknowledged(durable(400), 10);
    expect(seqs(recording)).toEqual(range(1_001, 1_100));
  });
});

describe('after a lost connection', () => {
  test('it goes on behind what is durable', () => {
    const recording = kept(9);
    recording.welcomed('a', null);
    seqs(recording);
    recording.acknowledged(durable(4), 10);
    expect(recording.welcomed('a', durable(6))).toEqual({ resumed: 'goes_on', behind: 3 });
    expect(seqs(recording)).toEqual([7, 8, 9]);
  });

  test.each([
    ['a server that lost what it had acknowledged', 'a', 5],
    ['a server with another journal', 'b', 9],
  ])('%s gets everything again', (_, epoch, through) => {
    const recording = kept(9);
    recording.welcomed('a', null);
    seqs(recording);
    recording.acknowledged(durable(9), 10);
    expect(recording.welcomed(epoch, durable(through))).toEqual({ resumed: 'all_again', behind: 9 });
    expect(seqs(recording)).toEqual(range(1, 9));
  });

  test('samples of a final result are gone, and named when they are missed later', () => {
    const recording = kept(6);
    recording.welcomed('a', null);
    seqs(recording);
    recording.acknowledged(durable(3), 10);
    expect(recording.forget(8_000)).toBe(3);
    recording.welcomed('b', null);
    expect(recording.next(LATER, 20)).toEqual({ type: 'skip', run: RUN, from_seq: 1, to_seq: 3 });
    expect(seqs(recording)).toEqual([4, 5, 6]);
  });

  test("another recording's word is not for us", () => {
    const recording = kept(2);
    recording.welcomed('a', { ...durable(2), run: '00000000-0000-4000-8000-000000000008' });
    seqs(recording);
    recording.acknowledged({ ...durable(2), run: '00000000-0000-4000-8000-000000000008' }, 10);
    expect(recording.pending).toBe(2);
  });
});

describe('after the page was loaded anew', () => {
  const before: Sample[] = [3, 1, 2].map((seq) => ({ seq, heard_ms: seq * 2_000, distance_dm: seq * 70 }));

  test('what was kept goes on, under the next number', () => {
    const recording = new Kept(RUN, before);
    expect(recording.record({ heard_ms: 8_000, distance_dm: 280 }).seq).toBe(4);
    recording.welcomed('a', durable(1));
    expect(seqs(recording)).toEqual([2, 3, 4]);
  });

  test('a number that the server has already is not given twice', () => {
    const recording = new Kept(RUN);
    recording.welcomed('a', durable(41));
    expect(recording.record({ heard_ms: 9_000, distance_dm: 900 }).seq).toBe(42);
    expect(seqs(recording)).toEqual([42]);
  });
});
