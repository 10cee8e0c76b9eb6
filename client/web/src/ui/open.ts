// Puts a page into its document, in the language of this build and in the colours that were chosen.
import { mount, type Component } from 'svelte';
import { language } from '#texts';
import './tokens.css';
import { chosenTheme, showTheme } from './theme';

export function openPage(page: Component): void {
  document.documentElement.lang = language.tag;
  document.documentElement.dir = language.direction;
  showTheme(document.documentElement, chosenTheme(localStorage, new URL(location.href)));
  const target = document.getElementById('page');
  if (target === null) throw new Error('The document has no place for the page.');
  mount(page, { target });
}
