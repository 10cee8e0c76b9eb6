import { svelte } from '@sveltejs/vite-plugin-svelte';
import { defineConfig } from 'vitest/config';

export default defineConfig({
  plugins: [svelte()],
  test: {
    projects: [
      // A busy machine is slow, and speed is measured elsewhere.
      { extends: true, test: { name: 'unit', environment: 'node', include: ['src/**/*.test.ts'], testTimeout: 60_000 } },
      {
        extends: true,
        test: {
          name: 'e2e',
          environment: 'node',
          include: ['e2e/**/*.test.ts'],
          fileParallelism: false,
          testTimeout: 60_000,
          hookTimeout: 60_000,
          // A busy machine may be late once; whoever needs a second try is named by the gate.
          retry: 1,
          // Servers that start and take connections are no news: what went wrong must be found in the log.
          env: { RUST_LOG: process.env['RUST_LOG'] ?? 'warn' },
        },
      },
      // The pictures of the README.
      { extends: true, test: { name: 'pictures', environment: 'node', include: ['e2e/**/*.shoot.ts'] } },
      // Runs for as long as it is told to; not part of the gate.
      { extends: true, test: { name: 'long', environment: 'node', include: ['e2e/**/*.long.ts'] } },
    ],
  },
});
