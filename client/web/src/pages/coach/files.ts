// Files from and to the coach's device. The table of links is made here, since the server does not know them; the server writes the one of
// results itself.

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
    // No clipboard here, or no permission: the caller shows the words for copying by hand.
    return false;
  }
}

/** Quoted where it must be (RFC 4180); what a spreadsheet would take for a formula is made text (OWASP, CSV injection). */
export function cell(value: string): string {
  const text = /^[\t\r\n]|^\s*[=+\-@＝＋－＠]/.test(value) ? `'${value}` : value;
  return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}

/** A name for the file, made of letters that every system accepts. */
export function fileName(title: string, what: string): string {
  const words = title.normalize('NFKD').replaceAll(/[^A-Za-z0-9]+/g, '-').replaceAll(/^-+|-+$/g, '').toLowerCase();
  return `${words === '' ? 'session' : words}-${what}.csv`;
}
