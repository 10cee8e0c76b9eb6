// Five pages without a router; while you work, `/ws` and `/api` are passed on to a server that runs beside.
import { existsSync } from 'node:fs';
import { svelte } from '@sveltejs/vite-plugin-svelte';
import { defineConfig, type Connect, type Plugin } from 'vite';

const server = process.env['THOLE_SERVER'] ?? 'http://127.0.0.1:8737';

/** The keeper of the athlete's page; from the root it may answer for /row/. */
const KEEPER = 'keeper.js';

/** The addresses that the server has: `/board/CODE` is board.html, and so on. */
function addresses(): Plugin {
  const pages: readonly (readonly [string, string])[] = [
    ['/coach/', '/coach.html'],
    ['/row/', '/athlete.html'],
    ['/board/', '/board.html'],
    ['/club/', '/club.html'],
    ['/me/', '/me.html'],
  ];
  const found: Connect.NextHandleFunction = (request, _response, next) => {
    const page = pages.find(([begins]) => request.url?.startsWith(begins));
    if (page !== undefined) request.url = page[1];
    next();
  };
  return {
    name: 'addresses',
    configureServer: ({ middlewares }) => void middlewares.use(found),
    configurePreviewServer: ({ middlewares }) => void middlewares.use(found),
  };
}

/** Tells the keeper what the athlete's page is made of, seldom needed parts included. */
function keeper(): Plugin {
  return {
    name: 'keeper',
    enforce: 'post',
    generateBundle: {
      order: 'post',
      handler(_options, bundle) {
        const parts = new Set(['icon.svg']);
        const add = (name: string): void => {
          const made = bundle[name];
          if (parts.has(name)) return;
          parts.add(name);
          if (made?.type !== 'chunk') return;
          for (const part of [...(made.viteMetadata?.importedCss ?? []), ...(made.viteMetadata?.importedAssets ?? [])]) parts.add(part);
          for (const next of [...made.imports, ...made.dynamicImports]) add(next);
        };
        const chunks = Object.values(bundle).filter((made) => made.type === 'chunk');
        const page = chunks.find(({ facadeModuleId }) => facadeModuleId?.endsWith('/athlete.html'));
        const own = chunks.find(({ fileName }) => fileName === KEEPER);
        if (page === undefined || own === undefined) this.error("the athlete's page or its keeper is not among what was built");
        // Browsers run it as a plain script.
        if (own.imports.length > 0 || own.exports.length > 0) this.error(`${KEEPER} must be one file: it has ${own.imports.join(', ')}`);
        add(page.fileName);
        own.code = own.code.replace('__PARTS__', [...parts].map((part) => `/${part}`).join(' '));
      },
    },
  };
}

// A build speaks one language; `#texts` is the index of its folder.
const language = process.env['THOLE_LANGUAGE'] ?? 'en';
const TEXTS = new URL(`src/texts/${language}/`, import.meta.url).pathname;

/**
 * A page loads its own texts alone, and those of a seldom needed part come with that part: whoever imports a section gets
 * the file of its name, and not the index, through which each would have all. A language without such files has it all in
 * its index.
 */
function sections(): Plugin {
  return {
    name: 'sections',
    apply: 'build',
    resolveId: {
      order: 'pre',
      handler: (source) => {
        if (!source.startsWith('#texts/')) return null;
        const file = `${TEXTS}${source.slice('#texts/'.length)}.ts`;
        return { id: existsSync(file) ? file : `${TEXTS}index.ts`, moduleSideEffects: false };
      },
    },
    transform: {
      order: 'post',
      handler: (code) => {
        if (!code.includes('#texts')) return null;
        const split = code.replaceAll(/import\s*\{([^}]*)\}\s*from\s*['"]#texts['"];?/g, (_, named: string) =>
          named.split(',').map((one) => one.trim()).filter((one) => one !== '').map((one) => `import { ${one} } from '#texts/${one.split(' ')[0]}';`).join(''),
        );
        return { code: split, map: null };
      },
    },
  };
}

export default defineConfig({
  plugins: [svelte(), addresses(), keeper(), sections()],
  resolve: { alias: [{ find: /^#texts$/, replacement: `${TEXTS}index.ts` }] },
  build: {
    target: 'es2022',
    outDir: 'dist',
    // The pages are served with a policy that forbids what is inlined.
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
    rolldownOptions: {
      input: { coach: 'coach.html', athlete: 'athlete.html', board: 'board.html', club: 'club.html', me: 'me.html', keeper: 'src/keeper/keeper.ts' },
      output: { entryFileNames: ({ name }) => (name === 'keeper' ? KEEPER : 'assets/[name]-[hash].js') },
    },
  },
  // Origin and host go through as they are, and belong together: so the server lets the page connect.
  server: { proxy: { '/ws': { target: server, ws: true }, '/api': { target: server } } },
});
