// The form that a number asks for, by the rules of the language (Unicode CLDR, through `Intl`).

/** Forms of one text; a language without a form of its own for a number uses `other`. */
export type Forms = Readonly<Partial<Record<Intl.LDMLPluralRule, string>> & { other: string }>;

/** `plural('en')(2, { one: 'call', other: 'calls' })` is `calls`. */
export function pluralOf(language: string): (count: number, forms: Forms) => string {
  const rules = new Intl.PluralRules(language);
  return (count, forms) => forms[rules.select(count)] ?? forms.other;
}
