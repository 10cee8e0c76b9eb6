// Which key does what while the coach leads. Places on the keyboard, not letters: the pad lies as the keys lie,
// whatever the layout. Single keys can be switched off, and are dead where something is typed (WCAG 2.1.4).

/** The pad as it lies under the left hand, row by row. */
export const PAD = ['KeyQ', 'KeyW', 'KeyE', 'KeyA', 'KeyS', 'KeyD', 'KeyZ', 'KeyX', 'KeyC'] as const;
/** The same on the number pad, for the other hand. */
const NUMBER_PAD = ['Numpad7', 'Numpad8', 'Numpad9', 'Numpad4', 'Numpad5', 'Numpad6', 'Numpad1', 'Numpad2', 'Numpad3'];
const CARDS = ['Digit1', 'Digit2', 'Digit3', 'Digit4'];

export type Action =
  /** The call of this place on the pad, 0 first. */
  | { readonly do: 'call'; readonly place: number }
  /** The card of this place, 0 first. */
  | { readonly do: 'card'; readonly place: number }
  | { readonly do: 'all' }
  | { readonly do: 'behind' }
  /** The next nine calls. */
  | { readonly do: 'more' }
  | { readonly do: 'send_now' }
  | { readonly do: 'take_back' };

/** Where the focus is: in what is typed into or chosen from, on a button, or on nothing that takes keys. */
export type Focus = 'typing' | 'button' | 'page';

/** What of a key press matters. */
export interface Press {
  readonly code: string;
  readonly repeat: boolean;
  readonly altKey: boolean;
  readonly ctrlKey: boolean;
  readonly metaKey: boolean;
}

/** What a press does; null when it is none of ours. */
export function actionOf(press: Press, focus: Focus, singleKeys: boolean): Action | null {
  if (press.repeat || press.altKey || press.ctrlKey || press.metaKey) return null;
  // Not a character: it takes back whatever else is switched off, but leaves a field its own Esc.
  if (press.code === 'Escape') return focus === 'typing' ? null : { do: 'take_back' };
  if (focus === 'typing' || !singleKeys) return null;
  const place = Math.max(PAD.findIndex((code) => code === press.code), NUMBER_PAD.indexOf(press.code));
  if (place >= 0) return { do: 'call', place };
  const card = CARDS.indexOf(press.code);
  if (card >= 0) return { do: 'card', place: card };
  switch (press.code) {
    case 'KeyR':
      return { do: 'all' };
    case 'KeyF':
      return { do: 'behind' };
    case 'KeyV':
      return { do: 'more' };
    case 'Numpad0':
      return { do: 'send_now' };
    case 'NumpadDecimal':
      return { do: 'take_back' };
    case 'Space':
      // On a button it presses the button.
      return focus === 'button' ? null : { do: 'send_now' };
    default:
      return null;
  }
}

/** What has the focus, by the element's name and role. */
export function focusOf(element: { readonly tagName: string; readonly isContentEditable?: boolean; readonly type?: string } | null): Focus {
  switch (element?.tagName) {
    case 'TEXTAREA':
    case 'SELECT':
      return 'typing';
    case 'INPUT':
      return element.type === 'checkbox' || element.type === 'radio' || element.type === 'file' ? 'button' : 'typing';
    case 'BUTTON':
    case 'A':
    case 'SUMMARY':
      return 'button';
    default:
      return element?.isContentEditable === true ? 'typing' : 'page';
  }
}

/** What stands on the key of a code with the usual layout. */
export function keyName(code: string): string {
  return code.replace(/^(Key|Digit)/, '');
}
