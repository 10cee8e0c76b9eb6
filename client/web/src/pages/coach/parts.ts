// The parts of the desk that the first load does without.

export const PARTS = {
  begin: () => import('./Begin.svelte'),
  prepare: () => import('./Prepare.svelte'),
  before: () => import('./Before.svelte'),
  requests: () => import('./Requests.svelte'),
  effects: () => import('./Effects.svelte'),
  detail: () => import('./Detail.svelte'),
  results: () => import('./After.svelte'),
  keys: () => import('./KeyHelp.svelte'),
} as const;

/** Fetches them all, one after another; somebody who needs one that did not load is told then. */
export async function fetchAll(parts: readonly (() => Promise<unknown>)[] = Object.values(PARTS)): Promise<void> {
  for (const load of parts) await load().catch(() => null);
}
