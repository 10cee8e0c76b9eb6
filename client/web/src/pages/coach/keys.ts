// Which key does what while the coach leads. Places on the keyboard, not letters: the pad is laid out like the keys,
// whatever the layout. Single keys can be switched off or changed, and do nothing where something is typed (WCAG
// 2.1.4).
import { coach as texts } from '#texts';

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

/** Something that has a key, with the key it has by default. */
export interface Task {
  /** The name under which a changed key is remembered. */
  readonly name: string;
  readonly usual: string;
  /** The same on the number pad, for the other hand; it stays whatever else is changed. */
  readonly second: string | null;
  readonly action: Action;
}

const LETTERS = ['KeyQ', 'KeyW', 'KeyE', 'KeyA', 'KeyS', 'KeyD', 'KeyZ', 'KeyX', 'KeyC'];
const NUMBER_PAD = ['Numpad7', 'Numpad8', 'Numpad9', 'Numpad4', 'Numpad5', 'Numpad6', 'Numpad1', 'Numpad2', 'Numpad3'];
const CARDS = ['Digit1', 'Digit2', 'Digit3', 'Digit4'];

export const TASKS: readonly Task[] = [
  ...LETTERS.map((usual, place): Task => ({
    name: `call ${place + 1}`, usual, second: NUMBER_PAD[place] ?? null, action: { do: 'call', place },
  })),
  ...CARDS.map((usual, place): Task => ({
    name: `card ${place + 1}`, usual, second: null, action: { do: 'card', place },
  })),
  { name: 'all', usual: 'KeyR', second: null, action: { do: 'all' } },
  { name: 'behind', usual: 'KeyF', second: null, action: { do: 'behind' } },
  { name: 'more', usual: 'KeyV', second: null, action: { do: 'more' } },
  { name: 'send now', usual: 'Space', second: 'Numpad0', action: { do: 'send_now' } },
];
/** Esc always takes back; so does this, on the number pad. */
const TAKE_BACK = 'NumpadDecimal';

/** Keys that are not the usual ones, by the task's name. */
export type Keys = Readonly<Record<string, string>>;

/** Where the focus is: where something is typed or chosen, on a button, or on nothing that takes keys. */
export type Focus = 'typing' | 'button' | 'page';

/** What of a key press matters. */
export interface Press {
  readonly code: string;
  readonly repeat: boolean;
  readonly altKey: boolean;
  readonly ctrlKey: boolean;
  readonly metaKey: boolean;
}

/** Keys that type a character, and nothing else: all others move the focus, scroll, or belong to the browser. */
const CHARACTER = /^(Key[A-Z]|Digit\d|Numpad(\d|Add|Subtract|Multiply|Divide|Decimal|Comma)|Space|Comma|Period|Semicolon|Quote|BracketLeft|BracketRight|Slash|Backslash|Minus|Equal|Backquote|IntlBackslash)$/;

/** What a press does; null when it is not one of ours. */
export function actionOf(press: Press, focus: Focus, singleKeys: boolean, keys: Keys): Action | null {
  if (press.repeat || press.altKey || press.ctrlKey || press.metaKey) return null;
  // Not a character: it takes back whatever else is switched off, but leaves a field its own Esc.
  if (press.code === 'Escape') return focus === 'typing' ? null : { do: 'take_back' };
  if (focus === 'typing' || !singleKeys) return null;
  // On a button the space bar presses the button, whatever it does elsewhere.
  if (press.code === 'Space' && focus === 'button') return null;
  if (press.code === TAKE_BACK) return { do: 'take_back' };
  return TASKS.find((task) => keyOf(task, keys) === press.code || task.second === press.code)?.action ?? null;
}

/** The key of a task as it is now. */
export function keyOf({ name, usual }: Task, keys: Keys): string {
  return keys[name] ?? usual;
}

/** The keys of the pad as they are now, place by place. */
export function padKeys(keys: Keys): readonly string[] {
  return TASKS.filter(({ action }) => action.do === 'call').map((task) => keyOf(task, keys));
}

export type Changed = { readonly ok: true; readonly keys: Keys } | { readonly ok: false; readonly why: Unfit };

/** Why a key cannot be used: it types nothing, it takes back, or it belongs to another task. */
export type Unfit = 'not_free' | 'takes_back' | Task;

/** Gives a task another key; a key that already does something keeps doing that. */
export function changed(keys: Keys, task: Task, code: string): Changed {
  if (!CHARACTER.test(code)) return { ok: false, why: 'not_free' };
  if (code === TAKE_BACK) return { ok: false, why: 'takes_back' };
  const taken = TASKS.find((other) => other.second === code || (other.name !== task.name && keyOf(other, keys) === code));
  if (taken !== undefined && taken.name !== task.name) return { ok: false, why: taken };
  const { [task.name]: _, ...others } = keys;
  return { ok: true, keys: code === task.usual ? others : { ...others, [task.name]: code } };
}

/** What was kept, as far as it can be used: no two tasks share a key. */
export function soundKeys(kept: unknown): Keys {
  let keys: Keys = {};
  for (const [name, code] of Object.entries(kept !== null && typeof kept === 'object' ? kept : {})) {
    const task = TASKS.find((one) => one.name === name);
    const next = task === undefined || typeof code !== 'string' ? null : changed(keys, task, code);
    if (next?.ok === true) keys = next.keys;
  }
  return keys;
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

const SIGNS: Readonly<Record<string, string>> = {
  Comma: ',', Period: '.', Semicolon: ';', Quote: "'", BracketLeft: '[', BracketRight: ']', Slash: '/', Backslash: '\\', Minus: '-', Equal: '=', Backquote: '`',
  Escape: texts.keys.escape, Space: texts.keys.space,
};
const PAD_SIGNS: Readonly<Record<string, string>> = { Add: '+', Subtract: '−', Multiply: '×', Divide: '÷', Decimal: '.', Comma: ',' };

/** The label on the key of a code, in the usual layout. */
export function keyName(code: string): string {
  const [, pad] = /^Numpad(.+)$/.exec(code) ?? [];
  if (pad !== undefined) return texts.keys.pad(PAD_SIGNS[pad] ?? pad);
  return SIGNS[code] ?? code.replace(/^(Key|Digit)/, '');
}
