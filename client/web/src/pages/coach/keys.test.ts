import { expect, test } from 'vitest';
import { taskText, unfitText } from './keyWords';
import { TASKS, actionOf, changed, focusOf, keyName, padKeys, soundKeys, type Focus, type Keys } from './keys';

const PAD = padKeys({});
const press = (code: string, more: object = {}) => ({ code, repeat: false, altKey: false, ctrlKey: false, metaKey: false, ...more });
const does = (code: string, focus: Focus = 'page', singleKeys = true, keys: Keys = {}) => actionOf(press(code), focus, singleKeys, keys);
function task(name: string): (typeof TASKS)[number] {
  const found = TASKS.find((one) => one.name === name);
  if (found === undefined) throw new Error(`no task ${name}`);
  return found;
}
const given = (keys: Keys, name: string, code: string) => changed(keys, task(name), code);
const refused = (keys: Keys, name: string, code: string) => {
  const next = given(keys, name, code);
  return next.ok ? 'it is taken' : unfitText(next.why, code);
};

test('the pad lies as the keys lie, on the letters and on the number pad', () => {
  expect(PAD.map((code) => keyName(code)).join('')).toBe('QWEASDZXC');
  expect(PAD.map((code) => does(code))).toEqual(PAD.map((_, place) => ({ do: 'call', place })));
  expect(does('Numpad7')).toEqual({ do: 'call', place: 0 });
  expect(does('Numpad3')).toEqual({ do: 'call', place: 8 });
});

test('every task has words of its own', () => {
  const words = TASKS.map(taskText);
  expect(words.filter((one) => one === '')).toEqual([]);
  expect(new Set(words).size).toBe(TASKS.length);
});

test('cards, whom for, sending and taking back', () => {
  expect(does('Digit4')).toEqual({ do: 'card', place: 3 });
  expect(['KeyR', 'KeyF', 'Space', 'Escape', 'NumpadDecimal'].map((code) => does(code)?.do)).toEqual(['all', 'behind', 'send_now', 'take_back', 'take_back']);
  expect(does('Digit5')).toBeNull();
});

// WCAG 2.2, 2.1.4 Character Key Shortcuts: can be turned off; Esc is not a character key.
test('single keys can be switched off; taking back cannot', () => {
  for (const code of [...TASKS.flatMap(({ usual, second }) => [usual, second ?? usual]), 'NumpadDecimal']) expect(does(code, 'page', false), code).toBeNull();
  expect(does('Escape', 'page', false)).toEqual({ do: 'take_back' });
});

// WCAG 2.2, 2.1.4: or they can be remapped.
test('another key does it, and the usual one does it no more', () => {
  const moved = given({}, 'call 1', 'KeyJ');
  if (!moved.ok) throw new Error('J is free');
  expect(moved.keys).toEqual({ 'call 1': 'KeyJ' });
  expect(does('KeyJ', 'page', true, moved.keys)).toEqual({ do: 'call', place: 0 });
  expect(does('KeyQ', 'page', true, moved.keys)).toBeNull();
  // The key that was given up is free for another task; the second set stays.
  expect(given(moved.keys, 'all', 'KeyQ')).toEqual({ ok: true, keys: { 'call 1': 'KeyJ', all: 'KeyQ' } });
  expect(does('Numpad7', 'page', true, moved.keys)).toEqual({ do: 'call', place: 0 });
  expect(padKeys(moved.keys).map(keyName).join('')).toBe('JWEASDZXC');
  // Going back to the usual key leaves no change to remember.
  expect(given(moved.keys, 'call 1', 'KeyQ')).toEqual({ ok: true, keys: {} });
});

test('a clash is said in words, and changes nothing', () => {
  expect(refused({}, 'call 1', 'KeyF')).toBe('F is already the key for calls to those behind. Choose another one, or change that first.');
  expect(refused({}, 'all', 'Numpad7')).toContain('Pad 7 is already the key for the first call.');
  expect(refused({ behind: 'KeyJ' }, 'all', 'KeyJ')).toContain('J is already the key for calls to those behind');
  expect(refused({}, 'all', 'NumpadDecimal')).toBe('Pad . already takes back. Choose another key.');
  for (const code of ['Tab', 'Enter', 'Escape', 'ArrowDown', 'F5', 'ShiftLeft']) expect(given({}, 'all', code), code).toMatchObject({ ok: false });
  expect(refused({}, 'all', 'Escape')).toBe('Esc cannot be used: choose a letter, a digit or a punctuation mark.');
});

test('of what was kept only what makes sense is used', () => {
  expect(soundKeys({ 'call 1': 'KeyJ', all: 'KeyJ', behind: 7, nobody: 'KeyK', more: 'Tab' })).toEqual({ 'call 1': 'KeyJ' });
  for (const broken of [null, 'x', 7, []]) expect(soundKeys(broken)).toEqual({});
});

test('they are dead where something is typed, and leave a button its own keys', () => {
  for (const code of [...PAD, 'Digit1', 'KeyR', 'Space', 'Escape']) expect(does(code, 'typing'), code).toBeNull();
  expect(does('Space', 'button')).toBeNull();
  expect(does('Space', 'button', true, { all: 'Space', 'send now': 'KeyN' })).toBeNull();
  expect(does('KeyQ', 'button')).toEqual({ do: 'call', place: 0 });
  expect(focusOf({ tagName: 'TEXTAREA' })).toBe('typing');
  expect(focusOf({ tagName: 'INPUT', type: 'text' })).toBe('typing');
  expect(focusOf({ tagName: 'INPUT', type: 'checkbox' })).toBe('button');
  expect(focusOf({ tagName: 'SELECT' })).toBe('typing');
  expect(focusOf({ tagName: 'BODY' })).toBe('page');
  expect(focusOf(null)).toBe('page');
});

test('the browser keeps its own: keys with Ctrl, Alt or Meta, and keys that are held', () => {
  for (const held of [{ ctrlKey: true }, { altKey: true }, { metaKey: true }, { repeat: true }]) {
    expect(actionOf(press('KeyR', held), 'page', true, {})).toBeNull();
  }
});
