// Asks the browser to keep this page, so that it opens again while the server is away. Where it cannot, everything else
// works as ever.
import { ownBuild } from '../../session/build';

/** What became of it. */
export type Shell = 'asked' | 'kept' | 'insecure' | 'none' | 'refused';

export async function keepShell(): Promise<Shell> {
  if (!isSecureContext) return 'insecure';
  // While somebody works on the pages, an old one must not come back.
  if (!('serviceWorker' in navigator) || ownBuild(document) === null) return 'none';
  try {
    await navigator.serviceWorker.register('/keeper.js', { scope: '/row/' });
    await navigator.serviceWorker.ready;
    return 'kept';
  } catch {
    // A certificate that the browser does not quite trust, or a setting: the athlete is told below.
    return 'refused';
  }
}
