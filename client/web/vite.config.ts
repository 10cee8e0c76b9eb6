// Three pages without a router; while you work, `/ws` is passed on to a server that runs beside.
import { svelte } from '@sveltejs/vite-plugin-svelte';
import { defineConfig, type Plugin } from 'vite';

const server = process.env['THOLE_SERVER'] ?? 'http://127.0.0.1:8737';

/** The addresses that the server has: `/board/CODE` is board.html, and so on. */
function addresses(): Plugin {
  const pages: readonly (readonly [string, string])[] = [
    ['/coach/', '/coach.html'],
    ['/row/', '/athlete.html'],
    ['/board/', '/board.html'],
  ];
  return {
    name: 'addresses',
    configureServer(vite) {
      vite.middlewares.use((request, _response, next) => {
        const page = pages.find(([begins]) => request.url?.startsWith(begins));
        if (page !== undefined) request.url = page[1];
        next();
      });
    },
  };
}

export default defineConfig({
  plugins: [svelte(), addresses()],
  build: {
    target: 'es2022',
    outDir: 'dist',
    // The pages are served with a policy that forbids what is inlined.
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
    rolldownOptions: { input: ['coach.html', 'athlete.html', 'board.html'] },
  },
  // Origin and host go through as they are, and belong together: so the server lets the page connect.
  server: { proxy: { '/ws': { target: server, ws: true } } },
});
