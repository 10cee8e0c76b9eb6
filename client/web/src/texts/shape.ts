// What another language has to say: the same texts as the English one, in its own words.
import type * as english from './en/index';

type Said<T> = T extends string
  ? string
  : T extends (...told: infer Told) => infer Says
    ? (...told: Told) => Said<Says>
    : { readonly [Name in keyof T]: Said<T[Name]> };

/** A section of a language: `export const ui: Texts<'ui'> = { … }`. */
export type Texts<Section extends keyof typeof english> = Said<(typeof english)[Section]>;
