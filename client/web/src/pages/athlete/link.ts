// An athlete's own link, as it is pasted.
import { isCode, readAddress } from '../../session/address';

/** Its address; null when it is not a complete link to an athlete's page. */
export function ownLink(pasted: string): string | null {
  // Copied out of a message it comes with words around it.
  const [text = ''] = /https?:\/\/\S+/.exec(pasted) ?? [];
  if (!URL.canParse(text)) return null;
  const url = new URL(text);
  const { code, secret } = readAddress(url);
  return url.pathname.startsWith('/row/') && isCode(code) && secret !== '' ? url.href : null;
}
