// What the programs owe to those whose work is in them: `node server/dist/notices.js > NOTICES.txt` writes the name,
// version and licence text of each package that is linked into `thole-server` and `thole` or sent with the pages. It goes
// with a copy that is handed on; the packages' licences ask for no more.

import { execFileSync } from 'node:child_process';
import { existsSync, readFileSync, readdirSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

const ROOT = join(dirname(fileURLToPath(import.meta.url)), '../..');
const PROGRAMS = ['thole-server', 'thole'];
// What of client/web's packages ends up in the pages; the others build or test them.
const IN_PAGES = ['svelte', 'uqr', '@fontsource-variable/atkinson-hyperlegible-next'];
// Published without its text, from the checkout of the package named beside it.
const TEXT_OF = { 'asn1-rs-impl': 'asn1-rs' };
const IS_TEXT = /^(licen[cs]e|copying|notice|copyright|unlicense)/i;

function said(program, args) {
    return execFileSync(program, args, { cwd: ROOT, encoding: 'utf8', maxBuffer: 1 << 28 });
}

/** Every crate that a program links when it is built for this machine, without what only builds or tests it. */
function linked() {
    const machine = /^host: (.*)$/m.exec(said('rustc', ['-vV']))[1];
    const about = ['metadata', '--format-version', '1', '--locked', '--filter-platform', machine];
    const { packages, resolve } = JSON.parse(said('cargo', about));
    const nodes = new Map(resolve.nodes.map((node) => [node.id, node]));
    const found = new Set();
    const open = packages.filter((p) => !p.source && PROGRAMS.includes(p.name)).map((p) => p.id);
    for (let id = open.pop(); id !== undefined; id = open.pop()) {
        if (found.has(id)) continue;
        found.add(id);
        const goesIn = nodes.get(id).deps.filter((dep) => dep.dep_kinds.some(({ kind }) => kind === null));
        open.push(...goesIn.map((dep) => dep.pkg));
    }
    return packages
        .filter((p) => p.source && found.has(p.id))
        .map(({ name, version, license, manifest_path }) => ({ name, version, license, folder: dirname(manifest_path) }));
}

/** The packages of the pages, as they are installed. */
function inPages() {
    return IN_PAGES.map((name) => {
        const folder = join(ROOT, 'client/web/node_modules', name);
        const about = join(folder, 'package.json');
        if (!existsSync(about)) throw new Error(`${name} is not installed; run npm ci in client/web`);
        const { version, license } = JSON.parse(readFileSync(about, 'utf8'));
        return { name, version, license, folder };
    });
}

function texts(folder) {
    return readdirSync(folder, { withFileTypes: true })
        .filter((file) => file.isFile() && IS_TEXT.test(file.name))
        .map((file) => readFileSync(join(folder, file.name), 'utf8').trim());
}

const all = [...linked(), ...inPages()].sort((a, b) => (a.name < b.name ? -1 : 1));
const without = [];
// Most of the texts are the same to the letter: each stands once, below all that it is the text of.
const byText = new Map();
for (const { name, version, license, folder } of all) {
    const from = TEXT_OF[name] ? all.find((other) => other.name === TEXT_OF[name]).folder : folder;
    const found = texts(from);
    if (found.length === 0) without.push(`${name} ${version}`);
    for (const text of found) {
        byText.set(text, [...(byText.get(text) ?? []), `${name} ${version} (${license})`]);
    }
}
if (without.length > 0) {
    console.error(`no licence text in: ${without.join(', ')}. Name in TEXT_OF which package has it.`);
    process.exit(1);
}
for (const [text, whose] of byText) {
    console.log(`${'='.repeat(80)}\n${whose.join('\n')}\n${'-'.repeat(80)}\n${text}\n`);
}
