// Files from and to the coach's device: nothing of them passes through the server.

/** Gives the browser a file to keep. */
export function save(name: string, text: string): void {
  // The mark tells spreadsheets that the names are UTF-8.
  const address = URL.createObjectURL(new Blob(['\uFEFF', text], { type: 'text/csv;charset=utf-8' }));
  const link = document.createElement('a');
  link.href = address;
  link.download = name;
  link.click();
  // The download has begun by then, and the copy is not needed any more.
  setTimeout(() => URL.revokeObjectURL(address), 1_000);
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
