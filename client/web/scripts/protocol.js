// Writes generated/protocol.ts (types) and generated/known.ts (what is known at run time) from the protocol's document, and
// generated/club.ts from that of the club over HTTP. A file that would not change is left alone, so that nothing is built again.
import { mkdir, readFile, rename, writeFile } from 'node:fs/promises';
import { compile } from 'json-schema-to-typescript';

const source = new URL('../../../protocol/asyncapi.json', import.meta.url);
const overHttp = new URL('../../../protocol/openapi.json', import.meta.url);
const folder = new URL('../generated/', import.meta.url);
const banner = '// Made from protocol/asyncapi.json by scripts/protocol.js; not kept in git.\n';

const { components, 'x-limits': limits } = await read(source);
const { schemas } = components;
const types = await typed('AnyMessage', schemas, ['ClientMsg', 'ServerMsg'], banner);

const club = (await read(overHttp)).components.schemas;
const clubBanner = banner.replace('asyncapi', 'openapi');
const clubTypes = await typed('AnyAnswer', club, Object.keys(club), clubBanner);

/** A document, its schemas where the generator of types looks for them. */
async function read(file) {
  return JSON.parse((await readFile(file, 'utf8')).replaceAll('#/components/schemas/', '#/definitions/'));
}

/** The types of these schemas; `title` is the name of what can be any of `roots`. */
function typed(title, definitions, roots, bannerComment) {
  const any = { title, oneOf: roots.map((name) => ({ $ref: `#/definitions/${name}` })), definitions };
  return compile(any, title, {
    additionalProperties: false,
    // Bounds are for who sends; as types they would be tuples of each length.
    ignoreMinAndMaxItems: true,
    bannerComment,
    format: false,
    unreachableDefinitions: true,
  });
}

/** A schema, and those that it is made of. */
function parts({ $ref, allOf = [], ...own }) {
  const named = [...allOf, ...($ref ? [{ $ref }] : [])].map((one) => schemas[one.$ref.split('/').at(-1)]);
  return [own, ...named.flatMap(parts)];
}

/** Of each alternative of a tagged union: its tag, and the fields that it always has. */
function alternatives(union, tag) {
  return Object.fromEntries(
    union.oneOf.map((one) => {
      const all = parts(one);
      const name = all.map((part) => part.properties?.[tag]?.const).find((value) => value !== undefined);
      return [name, all.flatMap((part) => part.required ?? []).filter((field) => field !== tag)];
    }),
  );
}

const known = `${banner}
/** Fields that a message of each type always has. */
export const MESSAGES: ReadonlyMap<string, readonly string[]> = new Map(Object.entries(${JSON.stringify(alternatives(schemas.ServerMsg, 'type'))}));

/** Fields that an event of each kind always has. */
export const KINDS: ReadonlyMap<string, readonly string[]> = new Map(Object.entries(${JSON.stringify(alternatives(schemas.Happening, 'kind'))}));

/** What the server takes, and how long it waits: units stand at the end of the names. */
export const LIMITS = ${JSON.stringify(limits)} as const;
`;

await mkdir(folder, { recursive: true });
for (const [name, wanted] of [['protocol.ts', types], ['known.ts', known], ['club.ts', clubTypes]]) {
  const file = new URL(name, folder);
  const there = await readFile(file, 'utf8').catch(() => null);
  if (there === wanted) continue;
  const beside = new URL(`${name}.${process.pid}`, folder);
  await writeFile(beside, wanted);
  await rename(beside, file);
}
