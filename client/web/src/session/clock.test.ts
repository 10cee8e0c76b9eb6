import { expect, test } from 'vitest';
import { answered, best, type Answers } from './clock';

function exchange(asked: number, heard: number, sent: number) {
  return { type: 'clock', client_sent_us: asked, server_heard_us: heard, server_sent_us: sent } as const;
}

// The worked example of protocol/README.md, 'The session's clock' (equations of RFC 5905 section 8).
test('offset and bound are those of the worked example of the protocol', () => {
  const answers = answered([], exchange(48_213_377, 1_042_012_930, 1_042_013_000), 48_231_447);
  expect(best(answers, 48_231_447)).toEqual({ offsetUs: 993_790_553, boundUs: 9_000 });
});

test('the quickest answer is believed, and the ninth pushes the first one out', () => {
  let answers: Answers = answered([], exchange(0, 5_000_300, 5_000_300), 600);
  for (let nth = 1; nth < 8; nth += 1) {
    const asked = nth * 60_000;
    answers = answered(answers, exchange(asked, asked + 5_009_000, asked + 5_009_000), asked + 11_000);
  }
  expect(best(answers, 500_000)?.offsetUs).toBe(5_000_000);
  answers = answered(answers, exchange(600_000, 5_609_000, 5_609_000), 611_000);
  expect(answers).toHaveLength(8);
  expect(best(answers, 611_000)?.offsetUs).toBe(5_003_500);
});

test('an old quick answer gives way once drift may have eaten it', () => {
  const old = answered([], exchange(0, 1_000_500, 1_000_500), 1_000);
  const both = answered(old, exchange(60_000_000, 61_001_700, 61_001_700), 60_002_000);
  expect(best(both, 60_002_000)?.offsetUs).toBe(1_000_700);
});
