// What only the texts of the pages may contain: words that people read, since another language has other words; and
// left and right, since it may be written from right to left.
import { readFileSync, readdirSync } from 'node:fs';
import { parse, type AST } from 'svelte/compiler';
import ts from 'typescript';
import { expect, test } from 'vitest';

const SRC = new URL('../', import.meta.url).pathname;
const all = readdirSync(SRC, { recursive: true, encoding: 'utf8' }).sort();
const ending = (...ends: string[]): string[] => all.filter((file) => ends.some((end) => file.endsWith(end)));
const read = (file: string): string => readFileSync(`${SRC}${file}`, 'utf8');

/** Not words of a page, though they look like some; each with what it is. */
const EXCEPT = new Map([
  ['x for ', 'a call as it is typed: the same in all languages, as the program for the command line reads it'],
  ['until the next', 'as typed, too'],
  ['own speeds', 'a plan as it is typed'],
  ['send now', 'by this name a key is kept on the device'],
]);

const LETTER = /\p{Letter}/u;
/** A word, and another one: `Hold for one second`. */
const SENTENCE = /\p{Letter}[,.:;!?]? \p{Letter}/u;
/** Attributes that a screen reader says, or that are shown. */
const SAID = new Set(['aria-label', 'aria-description', 'aria-roledescription', 'aria-valuetext', 'alt', 'label', 'placeholder', 'title']);

/** What an expression of a template shows: its own words, not those that it compares or looks up. */
function shown(node: AST.ExpressionTag['expression']): string[] {
  switch (node.type) {
    case 'Literal':
      return typeof node.value === 'string' ? [node.value] : [];
    case 'TemplateLiteral':
      return node.quasis.map(({ value }) => value.raw);
    case 'ConditionalExpression':
      return [...shown(node.consequent), ...shown(node.alternate)];
    case 'LogicalExpression':
      return [...shown(node.left), ...shown(node.right)];
    case 'BinaryExpression':
      return node.operator === '+' && node.left.type !== 'PrivateIdentifier' ? [...shown(node.left), ...shown(node.right)] : [];
    default:
      return [];
  }
}

type Node = AST.Fragment['nodes'][number];

/** The words that stand in a template itself. */
function words(fragment: AST.Fragment | null | undefined): string[] {
  return (fragment?.nodes ?? []).flatMap((node) => [...own(node), ...inside(node).flatMap(words)]);
}

function own(node: Node): string[] {
  if (node.type === 'Text') return [node.data];
  if (node.type === 'ExpressionTag') return shown(node.expression);
  if (!('attributes' in node)) return [];
  return node.attributes.flatMap((attribute) => {
    if (attribute.type !== 'Attribute' || attribute.value === true) return [];
    const texts = [attribute.value].flat().flatMap((part) => (part.type === 'Text' ? [part.data] : shown(part.expression)));
    if (SAID.has(attribute.name)) return texts;
    // A component may show whatever it is given; a small word alone is a choice.
    return node.type === 'Component' ? texts.filter((text) => SENTENCE.test(text) || /^\p{Lu}/u.test(text)) : [];
  });
}

function inside(node: Node): (AST.Fragment | null | undefined)[] {
  switch (node.type) {
    case 'IfBlock':
      return [node.consequent, node.alternate];
    case 'EachBlock':
      return [node.body, node.fallback];
    case 'AwaitBlock':
      return [node.pending, node.then, node.catch];
    case 'SnippetBlock':
      return [node.body];
    default:
      return 'fragment' in node ? [node.fragment] : [];
  }
}

/** Sentences in a script; what an uncaught error says is for those who fix it. */
function sentences(script: string): string[] {
  const found: string[] = [];
  const look = (node: ts.Node): void => {
    if (ts.isNewExpression(node) && node.expression.getText().endsWith('Error')) return;
    if (ts.isStringLiteral(node) || ts.isNoSubstitutionTemplateLiteral(node) || ts.isTemplateHead(node) || ts.isTemplateMiddleOrTemplateTail(node)) {
      if (SENTENCE.test(node.text) && !OURS.test(node.text)) found.push(node.text);
    }
    ts.forEachChild(node, look);
  };
  look(ts.createSourceFile('script.ts', script, ts.ScriptTarget.Latest, true));
  return found;
}

/** Names on the device, kept since earlier builds. */
const OURS = /^thole /;

function scripts(file: string): string[] {
  const text = read(file);
  if (!file.endsWith('.svelte')) return [text];
  const { instance, module } = parse(text, { modern: true });
  return [instance, module].flatMap((script) => (script == null ? [] : [text.slice(...between(script.content))]));
}

function between(node: object): [number, number] {
  if (!('start' in node && 'end' in node)) throw new Error('a node of the compiler has no place');
  return [Number(node.start), Number(node.end)];
}

test('no page has words of its own: all that people read comes from the texts', () => {
  const templates = ending('.svelte').map((file) => {
    const { fragment } = parse(read(file), { modern: true });
    return [file, words(fragment).filter((text) => LETTER.test(text))] as const;
  });
  const code = ending('.svelte', '.ts')
    .filter((file) => !file.startsWith('texts/') && !/\.test\.ts$|faked\.ts$/.test(file))
    .map((file) => [file, scripts(file).flatMap(sentences)] as const);
  const found = [...templates, ...code].flatMap(([file, texts]) => texts.map((text) => [file, text] as const));
  expect(found.filter(([, text]) => !EXCEPT.has(text))).toEqual([]);
  expect([...EXCEPT.keys()].filter((text) => !found.some(([, left]) => left === text)), 'no longer there').toEqual([]);
});

/** Left and right in a style; with four lengths, sides that differ. */
const SIDES = [
  /(?:margin|padding|border|scroll-margin|scroll-padding)-(?:left|right)/g,
  /border-(?:top|bottom)-(?:left|right)-radius/g,
  /(?<![-\w])(?:left|right)\s*:/g,
  /(?:text-align|float|clear)\s*:\s*(?:left|right)/g,
];
const FOUR = /(?<![-\w])(inset|margin|padding|border-width|border-color|border-style)\s*:([^;}]+)/g;

/** Lengths that stand side by side, `calc(…)` and its like as one. */
function lengths(value: string): string[] {
  return value.trim().match(/(?:[^\s(]+(?:\((?:[^()]|\((?:[^()]|\([^()]*\))*\))*\))?)+/g) ?? [];
}

function sides(style: string): string[] {
  const plain = style.replaceAll(/\/\*[\s\S]*?\*\//g, '');
  const uneven = [...plain.matchAll(FOUR)].filter(([, , value = '']) => {
    const [, right, , left] = lengths(value);
    return left !== undefined && left !== right;
  });
  return [...SIDES.flatMap((side) => [...plain.matchAll(side)]), ...uneven].map(([text]) => text);
}

test('styles say start and end, not left and right', () => {
  expect(sides('a { margin: 0 1px 2px 3px; left: 0; padding: 0 calc(1px * (2 + var(--u))) 0 calc(1px * (2 + var(--u))) }')).toHaveLength(2);
  const styles = ending('.svelte', '.css').map((file) => {
    const text = read(file);
    const style = file.endsWith('.css') ? text : (parse(text, { modern: true }).css?.content.styles ?? '');
    return [file, sides(style)] as const;
  });
  const found = styles.filter(([, left]) => left.length > 0);
  expect(found).toEqual([]);
});
