import { expect, test } from 'vitest';
import type { Line, Standings, TeamLine } from '../../protocol/decode';
import { SETTLING_MS } from '../../ui/field';
import { PICTURE_MS, picture, type Moment, type Picture } from './picture';

/** Somebody who rows well behind the start, with a margin in millionths. */
function rower(athlete: string, margin_ppm: number | null, more: Partial<Line> = {}): Line {
  return {
    athlete,
    place: margin_ppm === null ? null : 1,
    doing: 'rowing',
    not_heard: false,
    margin: margin_ppm === null ? null : { margin_ppm, margin_ms: null, margin_dm: null },
    projected: {
      finish: { want: 'finish', finish_ms: 400_000 },
      low: { want: 'finish', finish_ms: 396_000 },
      high: { want: 'finish', finish_ms: 404_000 },
      chance_permille: 500,
    },
    done_dm: 4_000,
    elapsed_ms: 90_000,
    share_permille: 300,
    against_target: null,
    ...more,
  };
}

function moment(at_ms: number, lines: Line[], more: Partial<Moment> = {}, teams: TeamLine[] = []): Moment {
  const standings: Standings = { piece: 0, at_ms, lines, teams, calls: [], waits_for: [] };
  return { standings, ranking: 'share', stage: 'rowing', call: '', missed: new Set(), speed: 1, ...more };
}

/** `1 +2.1 % ana, settling bo`. */
function read({ athletes }: Picture): string {
  return athletes.map(({ line, as }) => (typeof as === 'string' ? `${as} ${line.athlete}` : `${as.place} ${as.margin} ${line.athlete}`)).join(', ');
}

test('who stand equal as shown share a place, and the order is that of the numbers, whatever the server listed', () => {
  const lines = [rower('ana', -22_400), rower('bo', 1_960), rower('cy', -21_600), rower('dan', 2_040), rower('eva', -44_000)];
  expect(read(picture(null, moment(0, lines)))).toBe('1 +0.2 % bo, 1 +0.2 % dan, 3 −2.2 % ana, 3 −2.2 % cy, 5 −4.4 % eva');
});

test('the side is that of the number as it is shown, and the counts are of the same rows', () => {
  const seen = picture(null, moment(0, [rower('ana', 600), rower('bo', 499), rower('cy', 0), rower('dan', -499), rower('eva', -500)]));
  expect(seen.athletes.map(({ as }) => (typeof as === 'string' ? as : [as.margin, as.side, as.place]))).toEqual([
    ['+0.1 %', 'ahead', 1],
    ['0.0 %', 'none', 2],
    ['0.0 %', 'none', 2],
    ['0.0 %', 'none', 2],
    ['−0.1 %', 'behind', 5],
  ]);
  expect([seen.ahead, seen.behind]).toEqual([1, 1]);
});

test('order, numbers and places stand for five seconds of life and are renewed together', () => {
  const first = picture(null, moment(1_000, [rower('ana', 9_000), rower('bo', 8_000)]));
  const changed = [rower('ana', 7_000), rower('bo', 12_000)];
  expect(picture(first, moment(1_000 + PICTURE_MS - 1, changed))).toBe(first);
  expect(read(picture(first, moment(1_000 + PICTURE_MS, changed)))).toBe('1 +1.2 % bo, 2 +0.7 % ana');
  expect(picture(first, moment(1_000 + 10 * PICTURE_MS - 1, changed, { speed: 10 }))).toBe(first);
});

test.each<[string, Partial<Line>]>([
  ['is in', { doing: 'finished' }],
  ['has stopped', { doing: 'stopped', place: null }],
  ['is not heard', { not_heard: true }],
])('it is renewed at once when somebody %s', (_, more) => {
  const first = picture(null, moment(1_000, [rower('ana', 9_000), rower('bo', 8_000)]));
  const next = moment(1_300, [rower('ana', 7_000), rower('bo', 12_000, more)]);
  const second = picture(first, next);
  expect(second.atMs).toBe(1_300);
  // Once: it is no news a second time.
  expect(picture(second, { ...next, standings: { ...next.standings, at_ms: 1_600 } })).toBe(second);
});

test('it is renewed when somebody who was not heard drops out of the ranking, a call begins or ends, or another repeat does', () => {
  const lost = picture(null, moment(1_000, [rower('ana', 9_000), rower('bo', 8_000, { not_heard: true })]));
  expect(read(lost)).toBe('1 +0.9 % ana, 2 +0.8 % bo');
  const gone = [rower('ana', 9_000), rower('bo', 8_000, { not_heard: true, place: null })];
  expect(read(picture(lost, moment(1_100, gone)))).toBe('1 +0.9 % ana, unheard bo');
  const call = picture(lost, moment(1_200, lost.athletes.map(({ line }) => line), { call: 'sit tall' }));
  expect(call.atMs).toBe(1_200);
  expect(picture(call, moment(1_300, lost.athletes.map(({ line }) => line))).atMs).toBe(1_300);
  expect(picture(lost, moment(1_400, lost.athletes.map(({ line }) => line), { stage: 'resting' })).atMs).toBe(1_400);
  // A session that was opened again from its journal may be a little earlier.
  expect(picture(lost, moment(900, lost.athletes.map(({ line }) => line))).atMs).toBe(900);
});

test('nobody has a place in the first strokes, and who has none stands behind those who have, who has stopped last', () => {
  const lines = [
    rower('ana', 50_000, { elapsed_ms: SETTLING_MS - 1 }),
    rower('bo', null, { doing: 'stopped' }),
    rower('cy', null, { doing: 'here', projected: null }),
    rower('dan', -3_000, { elapsed_ms: SETTLING_MS }),
    rower('eva', null, { projected: null }),
    rower('fay', null, { doing: 'away', projected: null }),
    rower('gus', 80_000, { not_heard: true, place: null }),
    rower('hal', null),
    rower('jon', 0, { elapsed_ms: 31_000, share_permille: 49 }),
    rower('kim', 0, { elapsed_ms: 31_000, share_permille: 50 }),
    rower('ina', 40_000, { doing: 'finished', elapsed_ms: SETTLING_MS - 1 }),
  ];
  expect(read(picture(null, moment(0, lines)))).toBe(
    '1 +4.0 % ina, 2 0.0 % kim, 3 −0.3 % dan, untargeted hal, settling ana, settling eva, settling jon, unheard gus, here cy, stopped bo',
  );
});

test('who has missed repeats is told so, rowing or home, and not as settling', () => {
  const lines = [rower('ana', null, { projected: null }), rower('bo', null, { projected: null, doing: 'finished' }), rower('cy', null, { projected: null }), rower('dan', 3_000)];
  expect(read(picture(null, moment(0, lines, { missed: new Set(['ana', 'bo']) })))).toBe('1 +0.3 % dan, missed ana, missed bo, settling cy');
  // Who has stopped is not told what else there is about them.
  const stopped = rower('ana', null, { projected: null, doing: 'stopped' });
  expect(read(picture(null, moment(0, [stopped], { missed: new Set(['ana']) })))).toBe('stopped ana');
});

test('a rehearsal does not go on settling for as long as its picture stands', () => {
  const young = (elapsed_ms: number) => [rower('ana', 9_000, { elapsed_ms }), rower('bo', null, { projected: null, elapsed_ms })];
  const first = picture(null, moment(10_000, young(10_000), { speed: 10 }));
  expect(picture(first, moment(34_900, young(34_900), { speed: 10 }))).not.toBe(first);
  expect(picture(first, moment(24_900, young(24_900), { speed: 10 }))).toBe(first);
  const next = picture(first, moment(25_000, young(25_000), { speed: 10 }));
  expect(read(next)).toBe('1 +0.9 % ana, settling bo');
  expect(picture(next, moment(26_000, young(26_000), { speed: 10 }))).toBe(next);
});

test('teams are ordered by their numbers as shown as well; too small a team has none', () => {
  const team = (name: string, mean_margin: number | null): TeamLine => ({ team: name, place: mean_margin === null ? null : 1, mean_margin, counted: 3 });
  const teams = [team('Coot', 5_960), team('Heron', null), team('Otter', 6_040), team('Wren', 7_000)];
  const as = (more: Partial<Moment>) => picture(null, moment(0, [], more, teams)).teams.map(({ line, as }) => `${as?.place ?? '-'} ${as?.margin ?? ''} ${line.team}`);
  expect(as({})).toEqual(['1 +0.7 % Wren', '2 +0.6 % Coot', '2 +0.6 % Otter', '-  Heron']);
  expect(as({ ranking: 'amount' })).toEqual(['1 +7.0 s Wren', '2 +6.0 s Coot', '2 +6.0 s Otter', '-  Heron']);
});

/** The same noise at every run: a linear congruential generator, from 0 up to 1. */
function noise(seed: number): () => number {
  let state = seed;
  return () => (state = (state * 1_103_515_245 + 12_345) % 2 ** 31) / 2 ** 31;
}

/** What two rows that stand one above the other say against each other. */
function contradictions({ athletes, ahead, behind }: Picture): string[] {
  const rows = athletes.flatMap(({ as }) => (typeof as === 'string' ? [] : [{ ...as, number: Number.parseFloat(as.margin.replace('−', '-')) }]));
  const numbers = rows.map(({ number }) => number);
  const wrong = rows.flatMap((row, nth) => {
    const above = rows[nth - 1];
    if (above === undefined) return row.place === 1 ? [] : [`the first has place ${row.place}`];
    const equal = above.number === row.number;
    if (above.number < row.number || equal !== (above.place === row.place) || above.place > row.place) return [`${above.place} ${above.margin} over ${row.place} ${row.margin}`];
    return [];
  });
  const sides = rows.filter(({ number, side }) => side !== (number > 0 ? 'ahead' : number < 0 ? 'behind' : 'none')).map(({ margin, side }) => `${margin} ${side}`);
  const counted = [numbers.filter((number) => number > 0).length, numbers.filter((number) => number < 0).length];
  const unlike = counted[0] === ahead && counted[1] === behind ? [] : [`counts ${ahead} and ${behind}, shows ${String(counted)}`];
  return [...wrong, ...sides, ...unlike];
}

test.each([1, 2, 3])('thirty whose margins waver: no frame of six minutes says one thing by its order and another by its numbers (seed %d)', (seed) => {
  const chance = noise(seed);
  let people = Array.from({ length: 30 }, (_, nth) => ({ athlete: `a${String(nth).padStart(2, '0')}`, ppm: (chance() - 0.5) * 40_000, order: nth }));
  let seen: Picture | null = null;
  let renewed = 0;
  for (let at = 0; at < 360_000; at += 250) {
    people = people.map((one) => ({ ...one, ppm: one.ppm + (chance() - 0.5) * 4_000 }));
    // The server lets a difference that means nothing stand for a while: its order is an older one.
    if (at % 3_000 === 0) people.sort((a, b) => b.ppm - a.ppm);
    const lines = people.map(({ athlete, ppm }, nth): Line => {
      const lost = athlete === 'a07' && at > 100_000 && at < 140_000;
      const place = lost && at > 109_000 ? null : nth + 1;
      const doing = athlete === 'a11' && at > 200_000 ? 'stopped' : at > 300_000 + nth * 2_000 ? 'finished' : 'rowing';
      return rower(athlete, Math.round(ppm), { elapsed_ms: at, not_heard: lost, place, doing });
    });
    const next = picture(seen, moment(at, lines, { call: at > 150_000 && at < 170_000 ? 'long reach' : '' }));
    if (next !== seen) renewed += 1;
    seen = next;
    expect(contradictions(seen), `at ${at} ms`).toEqual([]);
  }
  // Every five seconds, and for each who is in, has stopped or is lost, and for the call.
  expect(renewed).toBeGreaterThanOrEqual(72);
  expect(renewed).toBeLessThanOrEqual(72 + 30 + 1 + 2 + 2);
});
