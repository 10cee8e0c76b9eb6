// Each section of a language is in the file of its name: that is how the build finds it; otherwise a page that asks for
// one section would load all of them.
import { readFileSync, readdirSync } from 'node:fs';
import { expect, test } from 'vitest';
import * as english from './en/index';

const FOLDER = new URL('./en/', import.meta.url).pathname;
/** What the index passes on that is not a section. */
const NONE = ['index.ts'];

test('every section stands in the file of its name, and no file has two', () => {
  const files = readdirSync(FOLDER).filter((file) => !NONE.includes(file));
  expect(Object.keys(english).map((section) => `${section}.ts`).sort()).toEqual(files.sort());
  for (const section of Object.keys(english).filter((section) => section !== 'language')) {
    const exported = [...readFileSync(`${FOLDER}${section}.ts`, 'utf8').matchAll(/^export (?:const|function|type|interface) (\w+)/gm)].map(([, name]) => name);
    expect(exported, section).toEqual([section]);
  }
});
