// Times, distances, targets and pieces as people type them; the same that the command-line program reads. What cannot
// be read comes back as a sentence that says what to type.
import { parse as says } from '#texts';
import { LIMITS } from '../../generated/known';
import type { Extent, Repeat, Target } from '../protocol/decode';

export type Read<Value> = { readonly ok: true; readonly value: Value } | { readonly ok: false; readonly says: string };

const REPEATS_MAX = LIMITS.repeats_max;
const U32_MAX = 4_294_967_295;

/** `6:31.5`, `1:02:03`, `45s`, `12min`, `2min30s`; a bare number is not a time. In milliseconds. */
export function readTime(typed: string): Read<number> {
  const text = typed.trim();
  if (/^\d+(\.\d+)?$/.test(text)) return no(says.noUnit(text));
  const seconds = text.includes(':') ? byColons(text) : byUnits(text);
  if (seconds === null || seconds * 1_000 > U32_MAX) return no(says.time(text));
  return yes(Math.round(seconds * 1_000));
}

/** `1700m`, `1.7km`. In decimetres. */
export function readDistance(typed: string): Read<number> {
  const [, number, unit] = /^(\d+(?:\.\d+)?)(km|m)$/.exec(typed.trim()) ?? [];
  const dm = Number(number) * (unit === 'km' ? 10_000 : 10);
  if (number === undefined || dm > U32_MAX) return no(says.distance(typed.trim()));
  return yes(Math.round(dm));
}

/** A finish (`6:31.5`), a pace (`1:52.4/500m`) or a distance (`4120m`). */
export function readTarget(typed: string): Read<Target> {
  // Half of the world writes tenths after a comma.
  const text = typed.trim().replace(/^(\d+(?::\d{2})+),(\d)/, '$1.$2');
  const wrong = no(says.target(text));
  const [, pace] = /^(.*)\/500m?$/.exec(text) ?? [];
  const time = readTime(pace ?? text);
  if (pace !== undefined) return time.ok ? yes({ want: 'pace', per_500m_ms: time.value }) : wrong;
  const distance = readDistance(text);
  if (distance.ok) return yes({ want: 'distance', distance_dm: distance.value });
  return time.ok ? yes({ want: 'finish', finish_ms: time.value }) : wrong;
}

/** One stretch: `350m` or `4min`. */
export function readExtent(typed: string): Read<Extent> {
  const distance = readDistance(typed);
  if (distance.ok) return yes({ by: 'distance', distance_dm: distance.value });
  const time = readTime(typed);
  if (time.ok) return yes({ by: 'time', time_ms: time.value });
  return no(says.extent(typed.trim()));
}

/** `1700m`, `12min`, `6x350m/1:15`, `3x4x500m/1:00/4:00`, joined by `+`; in `6x350/1:15` metres are meant. */
export function readPiece(typed: string): Read<Repeat[]> {
  const repeats: Repeat[] = [];
  const short = inShort(typed);
  if (!short.ok) return short;
  const parts = short.value.split('+').map((part) => part.trim());
  for (const part of parts) {
    const group = readGroup(part);
    if (!group.ok) return group;
    repeats.push(...group.value);
    if (repeats.length > REPEATS_MAX) return no(says.tooMany(typed, REPEATS_MAX));
  }
  if (new Set(repeats.map(({ work }) => work.by)).size > 1) {
    return no(says.mixed(typed));
  }
  if (parts.slice(0, -1).some((part) => !part.includes('/'))) return no(says.noRestBetween(typed));
  // Nothing comes after the last one.
  return yes(repeats.map((repeat, nth) => (nth === repeats.length - 1 ? { ...repeat, rest_ms: 0 } : repeat)));
}

/** One part between two `+`. */
function readGroup(part: string): Read<Repeat[]> {
  const wrong = no(says.piece(part));
  const [head = '', ...slashed] = part.split('/');
  const factors = head.split(/[x×]/).map((factor) => factor.trim());
  const work = readExtent(inMetres(factors.pop() ?? ''));
  if (!work.ok || factors.length > 2 || factors.some((factor) => !/^\d{1,6}$/.test(factor))) return wrong;
  const counts = factors.map(Number);
  const [sets, each] = counts.length === 2 ? [counts[0] ?? 1, counts[1] ?? 1] : [1, counts[0] ?? 1];
  if (sets * each === 0) return no(says.nothing(part));
  if (sets * each > REPEATS_MAX) return no(says.tooMany(part, REPEATS_MAX));
  const rests: number[] = [];
  for (const slash of slashed) {
    const rest = readTime(slash);
    if (!rest.ok) return rest;
    rests.push(rest.value);
  }
  if (rests.length > 2 || (rests.length === 2 && sets === 1)) {
    return no(says.rests(part));
  }
  if (sets * each > 1 && rests.length === 0) return no(says.noRest(part));
  const [inside = 0, between = inside] = rests;
  return yes(
    Array.from({ length: sets * each }, (_, nth) => ({ work: work.value, rest_ms: (nth + 1) % each === 0 ? between : inside })),
  );
}

const SHORT: Readonly<Record<string, string>> = {
  ...{ metre: 'm', metres: 'm', meter: 'm', meters: 'm' },
  ...{ k: 'km', kilometre: 'km', kilometres: 'km', kilometer: 'km', kilometers: 'km' },
  ...{ minute: 'min', minutes: 'min', mins: 'min', second: 's', seconds: 's', sec: 's', secs: 's', hour: 'h', hours: 'h' },
  ...{ "'": 'min', '’': 'min', '′': 'min', '"': 's', '”': 's', '″': 's' },
  with: '/',
};

/** A piece as people say it, in the short form: `6 x 350 metres with 1:15 rest` is `6x350m/1:15`, `2k` is `2km`, `30'` is `30min`. */
function inShort(typed: string): Read<string> {
  const words = typed.toLowerCase().replaceAll("''", '"').match(/[\d:.]+|\p{Alphabetic}+|\s+|[^]/gu) ?? [];
  let short = '';
  for (const [nth, word] of words.entries()) {
    const before = words[nth - 1] ?? '';
    const next = words[nth + 1] ?? '';
    if (/^\s/.test(word)) {
      // Two numbers side by side are a slip, and must not become one.
      short += /\d$/.test(before) && /^\d/.test(next) ? ' ' : '';
    } else if (word === 'rest') {
      // Behind a length of time it says what that is, before one that it follows.
      const behind = words.slice(nth + 1).find((other) => other.trim() !== '') ?? '';
      short += /^\d/.test(behind) && !short.endsWith('/') ? '/' : '';
    } else if (word === ',') {
      const unit = words.slice(nth + 2).find((other) => other.trim() !== '') ?? '';
      const sign = comma(before, next, unit);
      if ('meant' in sign) return no(says.comma(typed, sign.meant));
      short += sign.is;
    } else {
      short += SHORT[word] ?? word;
    }
  }
  return yes(short);
}

/** What a comma means: a point within a number, or the slash before a rest; or, where it may stand between thousands, what was probably meant. */
function comma(before: string, after: string, unit: string): { readonly is: string } | { readonly meant: string } {
  // Whoever writes more before it has the rest behind it: 350,75s.
  if (!/^\d{1,2}$/.test(before) || !/^\d+$/.test(after)) return { is: '/' };
  const isKm = unit.startsWith('k');
  const isTime = /^(?:h|s|mi|['"’′″])/.test(unit);
  if (after.length === 1 || (after.length === 2 && isKm)) return { is: '.' };
  if (isKm) return { meant: `${before}.${after}km` };
  if (isTime) return { meant: after.length === 2 ? `${before}:${after}` : `${before}.${after}${unit}` };
  return { meant: `${before}${after}m` };
}

/** A stretch without a unit is in metres, from this many on that nobody can mean minutes. */
function inMetres(typed: string): string {
  return /^\d{3,}$/.test(typed) ? `${typed}m` : typed;
}

/** In seconds; null for slips of the finger such as 6:71, 6:5 and 1:2:03. */
function byColons(text: string): number | null {
  const [, hours, minutes, seconds] = /^(?:(\d+):)?(\d+):(\d\d(?:\.\d+)?)$/.exec(text) ?? [];
  if (minutes === undefined || Number(seconds) >= 60) return null;
  if (hours !== undefined && (minutes.length !== 2 || Number(minutes) >= 60)) return null;
  return (Number(hours ?? 0) * 60 + Number(minutes)) * 60 + Number(seconds);
}

function byUnits(text: string): number | null {
  const number = String.raw`(\d+(?:\.\d+)?)`;
  const found = new RegExp(`^(?:${number}h)?(?:${number}min)?(?:${number}s)?$`).exec(text);
  if (found === null || text === '') return null;
  const [, hours, minutes, seconds] = found;
  return (Number(hours ?? 0) * 60 + Number(minutes ?? 0)) * 60 + Number(seconds ?? 0);
}

function yes<Value>(value: Value): Read<Value> {
  return { ok: true, value };
}

function no(why: string): { readonly ok: false; readonly says: string } {
  return { ok: false, says: why };
}
