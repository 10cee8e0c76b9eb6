import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { Odometer, type Report } from './odometer';

interface Case {
  readonly name: string;
  /** Heard, distance, the machine's clock, its strokes. */
  readonly reports: readonly (readonly [number, number, number | null, number | null])[];
  /** Heard, joined distance. */
  readonly joined_dm: readonly (readonly [number, number])[];
}

// The core reads the same table: one rule in two languages.
const table = readFileSync(new URL('../../../../protocol/cases/odometer.json', import.meta.url), 'utf8');
const cases: readonly Case[] = JSON.parse(table);

test.each(cases.map((of) => [of.name, of] as const))('%s', (_, { reports, joined_dm }) => {
  const odometer = new Odometer<Report>();
  const counted = reports.flatMap(([ms, distance_dm, elapsed_ms, strokes]) => odometer.take({ ms, distance_dm, elapsed_ms, strokes }));
  expect(counted.map(({ ms, dm }) => [ms, dm])).toEqual(joined_dm);
});
