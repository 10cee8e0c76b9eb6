import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { athletePrepare } from '#texts';

test('page and program for the command line caution in the same words', () => {
  const rust = readFileSync(new URL('../../../../src/cautions.rs', import.meta.url), 'utf8');
  const said = [...rust.matchAll(/"((?:[^"\\]|\\[\s\S])*)"/g)].map(([, text = '']) => text.replaceAll(/\\\n\s*/g, ''));
  expect([...athletePrepare.cautions, athletePrepare.heartRate]).toEqual(said);
});
