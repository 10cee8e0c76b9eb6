// A link of an athlete's own, as it is pasted.
import { isCode, readAddress } from '../../session/address';

/** Its address; null when it is no whole link to an athlete's page. */
export function ownLink(pasted: string): string | null {
  // Out of a message it comes with words around it.
  const [text = ''] = /https?:\/\/\S+/.exec(pasted) ?? [];
  if (!URL.canParse(text)) return null;
  const url = new URL(text);
  const { code, secret } = readAddress(url);
  return url.pathname.startsWith('/row/') && isCode(code) && secret !== '' ? url.href : null;
}
