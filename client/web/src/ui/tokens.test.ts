// Every text colour against everything that it is placed on, by the formulas of WCAG 2.2 (relative luminance, contrast ratio).
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';

const CSS = readFileSync(new URL('./tokens.css', import.meta.url), 'utf8');
/** Success criterion 1.4.3 asks for 4.5 for text of any size; placeholders are text. */
const TEXT_MIN = 4.5;

/** The colours of the block that begins this way. */
function block(begins: string): ReadonlyMap<string, string> {
  const from = CSS.indexOf(begins);
  if (from === -1) throw new Error(`tokens.css has no ${begins}`);
  const text = CSS.slice(from, CSS.indexOf('}', from));
  return new Map([...text.matchAll(/(--[\w-]+):\s*(#[0-9a-f]{6})/g)].map(([, name = '', colour = '']) => [name, colour]));
}

function luminance(colour: string): number {
  const linear = (at: number): number => {
    const part = Number.parseInt(colour.slice(at, at + 2), 16) / 255;
    return part <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4;
  };
  return 0.2126 * linear(1) + 0.7152 * linear(3) + 0.0722 * linear(5);
}

function contrast(one = '', other = ''): number {
  const [dark = 0, light = 0] = [luminance(one), luminance(other)].sort((a, b) => a - b);
  return (light + 0.05) / (dark + 0.05);
}

const THEMES: readonly (readonly [string, string])[] = [
  ['light', ":root[data-theme='light'] {"],
  ['dark', ":root[data-theme='dark'] {"],
  ['as the device, dark', ":root[data-theme='device'] {"],
];

test('the formula is that of WCAG', () => {
  expect(contrast('#ffffff', '#000000')).toBeCloseTo(21, 10);
  // #777777 on white is the well-known near miss of 4.5.
  expect(contrast('#777777', '#ffffff')).toBeCloseTo(4.48, 2);
});

test.each(THEMES)('%s: every text can be read on paper and on what is raised', (_, begins) => {
  const colours = block(begins);
  for (const ground of ['--paper', '--raised']) {
    for (const text of ['--ink', '--muted', '--ahead', '--behind']) {
      expect(contrast(colours.get(text), colours.get(ground)), `${text} on ${ground}`).toBeGreaterThanOrEqual(TEXT_MIN);
    }
  }
  // What is chosen or comes next is written in paper on ink.
  expect(contrast(colours.get('--paper'), colours.get('--ink'))).toBeGreaterThanOrEqual(TEXT_MIN);
});

test('a call can be read in every theme, and a placeholder has the colour of muted text, whole', () => {
  const shared = block(':root {');
  expect(contrast(shared.get('--on-call'), shared.get('--call'))).toBeGreaterThanOrEqual(TEXT_MIN);
  expect(/::placeholder\s*\{([^}]*)\}/.exec(CSS)?.[1]?.replaceAll(/\s+/g, ' ').trim()).toBe('color: var(--muted); opacity: 1;');
});
