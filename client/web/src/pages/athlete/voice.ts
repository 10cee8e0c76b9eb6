// Calls spoken by the device, for those at home or with earphones; off unless somebody wants it.
import { language } from '#texts';
import type { Shelf } from '../../session/remembered';

const NAME = 'thole speaks';

export function speaks(shelf: Pick<Shelf, 'getItem'>): boolean {
  return shelf.getItem(NAME) === 'yes';
}

export function keepSpeaks(shelf: Shelf, yes: boolean): void {
  if (yes) shelf.setItem(NAME, 'yes');
  else shelf.removeItem(NAME);
}

export function canSpeak(): boolean {
  return 'speechSynthesis' in globalThis;
}

/** Says it now, instead of what was being said. The first time on a tap: browsers are silent before one. */
export function say(text: string): void {
  if (!canSpeak() || text === '') return;
  speechSynthesis.cancel();
  const spoken = new SpeechSynthesisUtterance(text);
  spoken.lang = language.tag;
  speechSynthesis.speak(spoken);
}

export function hush(): void {
  if (canSpeak()) speechSynthesis.cancel();
}
