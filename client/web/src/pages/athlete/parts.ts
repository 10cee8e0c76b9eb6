// Parts of the page that are not needed at first. What is drawn while somebody rows is not among them: that comes with the
// page itself.

/** Asked for once; if that failed, again by whoever needs it. */
export function part<Loaded>(load: () => Promise<Loaded>): () => Promise<Loaded> {
  let loading: Promise<Loaded> | null = null;
  return () => {
    loading ??= load().catch((why: unknown) => {
      loading = null;
      throw why;
    });
    return loading;
  };
}

export const prepare = part(() => import('./Prepare.svelte'));
export const result = part(() => import('./Result.svelte'));
export const aims = part(() => import('./Aims.svelte'));
/** Only on devices of the hall. */
export const list = part(() => import('./Hall.svelte'));

/** Loads all of them while the server is sure to be there. Anybody who gets to one that could not be loaded is told then. */
export function ahead(): void {
  for (const load of [prepare, result, aims]) load().catch(() => undefined);
}
