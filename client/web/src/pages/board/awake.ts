// Keeps the screen on. A browser takes the lock away when the page is hidden, so it is asked for again.
import { board } from '#texts';

/** Whether this page keeps the screen on; if not, why not, in words. */
export type Awake = { readonly is: 'on' } | { readonly is: 'off'; readonly says: string };

/** Reports the current state and every change; calling the returned function ends it. */
export function stayAwake(page: Document, tell: (awake: Awake) => void): () => void {
  const { wakeLock } = navigator;
  if (wakeLock === undefined) {
    tell({ is: 'off', says: window.isSecureContext ? board.awake.unable : board.awake.insecure });
    return () => undefined;
  }
  let lock: WakeLockSentinel | null = null;
  let ended = false;

  async function ask(): Promise<void> {
    if (ended || page.visibilityState !== 'visible' || (lock !== null && !lock.released)) return;
    try {
      const got = await wakeLock.request('screen');
      lock = got;
      if (ended) return void got.release();
      tell({ is: 'on' });
      got.onrelease = () => tell({ is: 'off', says: board.awake.hidden });
    } catch (error) {
      tell({ is: 'off', says: board.awake.refused(String(error)) });
    }
  }

  const again = (): void => void ask();
  page.addEventListener('visibilitychange', again);
  again();
  return () => {
    ended = true;
    page.removeEventListener('visibilitychange', again);
    void lock?.release();
  };
}
