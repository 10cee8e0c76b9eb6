import { expect, test } from 'vitest';
import { base64 } from './table';

test('bytes are the text of RFC 4648 section 10, and long files are whole', () => {
  const of = (text: string): string => base64(new TextEncoder().encode(text));
  // The test vectors of RFC 4648.
  expect(['', 'f', 'fo', 'foo', 'foob', 'fooba', 'foobar'].map(of)).toEqual(['', 'Zg==', 'Zm8=', 'Zm9v', 'Zm9vYg==', 'Zm9vYmE=', 'Zm9vYmFy']);
  const long = Uint8Array.from({ length: 100_000 }, (_, nth) => nth % 256);
  expect(Uint8Array.from(atob(base64(long)), (letter) => letter.charCodeAt(0))).toEqual(long);
});
