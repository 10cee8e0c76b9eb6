import { expect, test } from 'vitest';
import type { Phase } from '../protocol/decode';
import { reading, readingText } from './reading';

test.each<[Phase, number | null, string]>([
  [{ phase: 'armed' }, 5_000, ''],
  [{ phase: 'counting', go_at_ms: 10_000 }, 2_999, '0:08'],
  [{ phase: 'counting', go_at_ms: 10_000 }, 9_001, '0:01'],
  [{ phase: 'counting', go_at_ms: 10_000 }, 10_050, '0:00'],
  [{ phase: 'rowing', go_at_ms: 10_000, repeat: 0, repeat_at_ms: 10_000 }, 10_999, '0:00'],
  [{ phase: 'rowing', go_at_ms: 10_000, repeat: 1, repeat_at_ms: 200_000 }, 261_000, '1:01'],
  [{ phase: 'resting', go_at_ms: 10_000, next_repeat: 1, next_at_ms: 200_000 }, 125_000, '1:15'],
  [{ phase: 'rowing', go_at_ms: 10_000, repeat: 0, repeat_at_ms: 10_000 }, null, ''],
  [{ phase: 'finished', go_at_ms: 10_000 }, 900_000, ''],
])('%j at %s shows "%s"', (phase, now, text) => expect(readingText(reading(phase, now))).toBe(text));
