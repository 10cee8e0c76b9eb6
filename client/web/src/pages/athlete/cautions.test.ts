import { readFileSync } from 'node:fs';
import { render } from 'svelte/server';
import { expect, test } from 'vitest';
import { athletePrepare } from '#texts';
import Cautions from './Cautions.svelte';

test('page and program for the command line caution in the same words', () => {
  const rust = readFileSync(new URL('../../../../src/cautions.rs', import.meta.url), 'utf8');
  const said = [...rust.matchAll(/"((?:[^"\\]|\\[\s\S])*)"/g)].map(([, text = '']) => text.replaceAll(/\\\n\s*/g, ''));
  expect([...athletePrepare.cautions, athletePrepare.heartRate]).toEqual(said);
});

const CAUTIONS = athletePrepare.cautions.map((caution) => caution.replaceAll("'", '&#39;'));

test('three cautions stand above the button and the rest below it, each once and in its own words', () => {
  const { body } = render(Cautions, { props: { read: false, accept: () => undefined } });
  const [above = '', below = ''] = body.split('<button');
  const times = (text: string, caution: string) => text.replaceAll('&#39;', "'").split(caution.replaceAll('&#39;', "'")).length - 1;
  const counts = CAUTIONS.map((caution) => [times(above, caution), times(below, caution)]);
  expect(counts.filter(([before]) => before === 1)).toHaveLength(3);
  expect(counts.every(([before = 0, after = 0]) => before + after === 1)).toBe(true);
  // Nothing but the button accepts them.
  expect(body.match(/<(button|input|a)\b/g)).toEqual(['<button']);
});

test('once read all of them can be read again, and there is nothing to accept', () => {
  const { body } = render(Cautions, { props: { read: true, accept: () => undefined } });
  expect(body.match(/<li/g)).toHaveLength(CAUTIONS.length);
  expect(body).not.toContain('<button');
});
