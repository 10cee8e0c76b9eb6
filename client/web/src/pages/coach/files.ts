// Files from and to the coach's device: nothing of them passes through the server.

import { keepFile } from '../../ui/keepFile';

/** Gives the browser a table to keep. */
export function save(name: string, text: string): void {
  // The mark tells spreadsheets that the names are UTF-8.
  keepFile(name, ['\uFEFF', text], 'text/csv;charset=utf-8');
}

/** Puts words where they can be pasted; false where the browser forbids it, as it does without HTTPS. */
export async function copy(text: string): Promise<boolean> {
  try {
    await navigator.clipboard.writeText(text);
    return true;
  } catch {
    // No clipboard here, or no permission: whoever asked shows the words to be copied by hand.
    return false;
  }
}
