import { expect, test } from 'vitest';
import { PAD, actionOf, focusOf, keyName, type Focus } from './keys';

const press = (code: string, more: object = {}) => ({ code, repeat: false, altKey: false, ctrlKey: false, metaKey: false, ...more });
const does = (code: string, focus: Focus = 'page', singleKeys = true) => actionOf(press(code), focus, singleKeys);

test('the pad lies as the keys lie, on the letters and on the number pad', () => {
  expect(PAD.map((code) => keyName(code)).join('')).toBe('QWEASDZXC');
  expect(PAD.map((code) => does(code))).toEqual(PAD.map((_, place) => ({ do: 'call', place })));
  expect(does('Numpad7')).toEqual({ do: 'call', place: 0 });
  expect(does('Numpad3')).toEqual({ do: 'call', place: 8 });
});

test('cards, whom for, sending and taking back', () => {
  expect(does('Digit4')).toEqual({ do: 'card', place: 3 });
  expect(['KeyR', 'KeyF', 'Space', 'Escape'].map((code) => does(code)?.do)).toEqual(['all', 'behind', 'send_now', 'take_back']);
  expect(does('Digit5')).toBeNull();
});

// WCAG 2.2, 2.1.4 Character Key Shortcuts: can be turned off; Esc is no character key.
test('single keys can be switched off; taking back cannot', () => {
  for (const code of [...PAD, 'Digit1', 'KeyR', 'KeyF', 'KeyV', 'Space', 'Numpad0']) expect(does(code, 'page', false), code).toBeNull();
  expect(does('Escape', 'page', false)).toEqual({ do: 'take_back' });
});

test('they are dead where something is typed, and leave a button its own keys', () => {
  for (const code of [...PAD, 'Digit1', 'KeyR', 'Space', 'Escape']) expect(does(code, 'typing'), code).toBeNull();
  expect(does('Space', 'button')).toBeNull();
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
    expect(actionOf(press('KeyR', held), 'page', true)).toBeNull();
  }
});
