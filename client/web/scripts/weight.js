// What a page's first load weighs, compressed; more than the limit fails. Read from the built pages:
// the page, what it links, what those import without being asked, and the font of its letters.
import { readFile } from 'node:fs/promises';
import { gzipSync } from 'node:zlib';

const LIMIT_KB = 100;
const dist = new URL(process.env.THOLE_PAGES ?? '../dist/', import.meta.url);

/** @param {string} path @param {Map<string, number>} seen */
async function weigh(path, seen) {
  if (seen.has(path)) return;
  const bytes = await readFile(new URL(`.${path}`, dist));
  // Fonts are compressed already and served as they are.
  seen.set(path, path.endsWith('.woff2') ? bytes.length : gzipSync(bytes).length);
  const text = path.endsWith('.woff2') ? '' : bytes.toString('utf8');
  const found = {
    html: [...text.matchAll(/(?:src|href)="(\/[^"]+)"/g)],
    js: [...text.matchAll(/(?:from|import)\s*["']\.\/([^"']+)["']/g)],
    // Letters beyond Latin-1 come only when somebody's name has one.
    css: [...text.matchAll(/url\((\/assets\/[^)]*latin-wght-normal[^)]*)\)/g)],
  }[path.split('.').at(-1)];
  for (const [, next] of found ?? []) {
    await weigh(path.endsWith('.js') ? `/assets/${next}` : next, seen);
  }
}

let heavy = false;
for (const page of ['/coach.html', '/athlete.html', '/board.html', '/club.html', '/me.html']) {
  const seen = new Map();
  await weigh(page, seen);
  const kb = [...seen.values()].reduce((sum, size) => sum + size, 0) / 1000;
  console.log(`${page.padEnd(14)} ${kb.toFixed(1).padStart(6)} kB in ${seen.size} files`);
  heavy ||= kb > LIMIT_KB || seen.size < 4;
}
if (heavy) {
  console.error(`a page's first load is over ${LIMIT_KB} kB, or its files were not found`);
  process.exitCode = 1;
}
