import { expect, test } from 'vitest';
import type { About } from '../../protocol/decode';
import { needOf, restText } from './needs';

const need = (about: About) => needOf({ athlete: 'ida', since_ms: 40_000, about }, 54_900);

test('every notice has a few words and the numbers behind it', () => {
  expect(need({ about: 'stopped', done_dm: 8_537 })).toEqual({ urgency: 'now', says: 'stopped after 853m', more: 'Check that all is well. No calls go there.' });
  expect(need({ about: 'stopped_unheard', done_dm: 8_537, silent_since_ms: 40_000 })).toEqual({
    urgency: 'now', says: 'stopped after 853m, and not connected for a minute', more: 'They may be alone: go and look, or have somebody call.',
  });
  expect(need({ about: 'heart_rate', heart_bpm: 183, limit_bpm: 178 })).toMatchObject({ urgency: 'now', says: 'heart rate 183', more: 'The limit is 178.' });
  expect(need({ about: 'fading', now_per_500m_ms: 118_400, before_per_500m_ms: 113_900, enough_per_500m_ms: 115_000 })).toMatchObject({
    urgency: 'soon', says: 'fading: 1:58.4 now', more: 'Was 1:53.9; needs 1:55.0.',
  });
  expect(need({ about: 'rate_no_faster', rate_half_spm: 63, before_half_spm: 58, now_per_500m_ms: 118_400, before_per_500m_ms: 118_300 })).toMatchObject({
    says: 'rate 31.5, was 29', more: 'But no faster: 1:58.4, was 1:58.3.',
  });
  expect(need({ about: 'not_heard', since_ms: 40_000 })).toMatchObject({ urgency: 'fault', says: 'no signal for 14 s' });
  expect(need({ about: 'target_far_off', target: { want: 'finish', finish_ms: 306_000 }, heading: { want: 'finish', finish_ms: 430_500 } })).toMatchObject({
    urgency: 'fault', says: 'heading for 7:10.5', more: 'Far from the target of 5:06.0. Is the target right?',
  });
});

test('nothing that is said of an athlete who has stopped pushes', () => {
  const { says, more } = need({ about: 'stopped', done_dm: 100 });
  expect(`${says} ${more}`).not.toMatch(/row on|go on|again|keep|push|continue/i);
});

test('the others in words', () => {
  expect(restText(9, 3)).toBe('Nine more are rowing.');
  // Somebody who has a card may have stopped, and not be rowing at all.
  expect(restText(12, 1)).toBe('Twelve more are rowing.');
  expect(restText(12, 0)).toBe('Nobody needs a word now.');
  expect(restText(0, 1)).toBe('');
  expect(restText(1, 2)).toBe('One more is rowing.');
});
