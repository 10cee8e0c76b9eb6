// What this device is called to whoever lets it in, or looks over their devices.
import { ui } from '#texts';

export function deviceWords(agent: string): string {
  const known = [/iPhone/, /iPad/, /Android/, /Windows/, /Macintosh/, /Linux/].map((name) => name.exec(agent)?.[0]).find((name) => name !== undefined);
  return known === undefined ? ui.someBrowser : ui.browser(known === 'Macintosh' ? 'Mac' : known);
}
