// A roster as a table of text, typed, pasted or loaded: name, team, target, plan, heart limit, past results. Every
// wrong line is named, not only the first.
import { coachPrepare } from '#texts';
import { LIMITS } from '../../../generated/known';
import type { Aim, PieceSpec, RosterEntry, Target } from '../../protocol/decode';
import { readTarget, type Read } from '../../ui/parse';
import { meantBy, tooFast, type Meant } from './meant';
import { readPast } from './past';
import { readPlan } from './plan';

const texts = coachPrepare.roster;

/** What the server accepts: characters of a name, athletes at once, heart limits in beats a minute. */
const NAME_MAX = LIMITS.name_max;
const AT_ONCE_MAX = LIMITS.added_max;
const HEART_LIMIT = { least: LIMITS.heart_limit_min_bpm, most: LIMITS.heart_limit_max_bpm };

/** A line that cannot be used, counted from 1 as an editor counts them. */
export interface Trouble {
  readonly line: number;
  readonly says: string;
  /** What was probably meant, to be accepted with one press. */
  readonly meant?: Meant;
}

/** What in a line cannot be used, and what was probably meant. */
interface Wrong {
  readonly ok: false;
  readonly says: string;
  readonly meant?: Meant | null;
}

export interface Roster {
  readonly entries: readonly RosterEntry[];
  /** The line on which each of them was found. */
  readonly lines: readonly number[];
  /** The line of the heading; null without one. */
  readonly heading: number | null;
  readonly troubles: readonly Trouble[];
  /** Columns of the heading that are not ours, as they are written there: nothing is read from them. */
  readonly unread: readonly string[];
}

/** What a piece is measured by; one that is over takes no more targets. */
export type Kind = 'distance' | 'time' | 'over';

/** As they are written in the file, whatever the language of the page. */
export const COLUMNS = ['name', 'team', 'target', 'plan', 'heart_limit', 'past'] as const;
type Column = (typeof COLUMNS)[number];
type Cells = Partial<Record<Column, string>>;

/** The text of a table that a spreadsheet has written: UTF-8, or as older ones write Western European names. */
export function tableText(bytes: ArrayBuffer): string {
  try {
    return new TextDecoder('utf-8', { fatal: true }).decode(bytes);
  } catch {
    return new TextDecoder('windows-1252').decode(bytes);
  }
}

/**
 * Reads a roster. Columns are separated by commas, semicolons or tabs, whichever the first line has; a first line with
 * `name` in it is the heading and may have the columns in any order. A pace is for each of this many pieces
 * that are open, a finish or a distance for the first that it fits, where `kinds` says what those are measured by; `spec` is the one that comes next, for which a target
 * can be impossible. Names in `taken` are in the session already.
 */
export function readRoster(text: string, pieces: number, taken: readonly string[] = [], kinds: readonly Kind[] = [], spec: PieceSpec | null = null): Roster {
  const lines = text.replace(/^\uFEFF/, '').split(/\r\n|\r|\n/);
  const between = separator(lines.find((line) => line.trim() !== '') ?? '');
  const entries: RosterEntry[] = [];
  const on: number[] = [];
  const troubles: Trouble[] = [];
  let headed: number | null = null;
  const unread: string[] = [];
  const names = new Map(taken.map((name) => [folded(name), null as number | null]));
  let columns: readonly (Column | null)[] | null = null;
  for (const [nth, line] of lines.entries()) {
    if (line.trim() === '') continue;
    const wrong = (says: string, meant: Meant | null = null) => troubles.push({ line: nth + 1, says, ...(meant === null ? {} : { meant }) });
    const cells = cellsOf(line, between);
    if (!cells.ok) {
      wrong(cells.says);
      continue;
    }
    if (columns === null) {
      const named = heading(cells.value);
      columns = named ?? COLUMNS;
      if (named === null && looksLikeHeading(cells.value)) {
        wrong(texts.noNames);
        continue;
      }
      unread.push(...cells.value.filter((cell, nth) => named?.[nth] === null && cell.trim() !== ''));
      if (named !== null) {
        headed = nth + 1;
        continue;
      }
    }
    const entry = entryOf(byColumn(cells.value, columns), pieces, kinds, spec);
    if (!entry.ok) {
      wrong(entry.says, entry.meant);
      continue;
    }
    const name = entry.value.spec.name;
    const before = names.get(folded(name));
    if (before !== undefined) {
      wrong(before === null ? texts.taken(name) : texts.twice(name, before));
      continue;
    }
    names.set(folded(name), nth + 1);
    if (entries.length === AT_ONCE_MAX) wrong(texts.tooMany(AT_ONCE_MAX));
    else {
      entries.push(entry.value);
      on.push(nth + 1);
    }
  }
  return { entries, lines: on, heading: headed, troubles, unread };
}

/** Names are the same whatever the case. */
function folded(name: string): string {
  return name.trim().toLowerCase();
}

/** What occurs most often in the first line; a comma when nothing does. */
function separator(line: string): string {
  const count = (mark: string) => line.split(mark).length - 1;
  return [',', ';', '\t'].reduce((best, mark) => (count(mark) > count(best) ? mark : best));
}

/** The columns that a heading names; null when the line is a person. */
function heading(cells: readonly string[]): readonly (Column | null)[] | null {
  const names = cells.map((cell) => cell.trim().toLowerCase().replaceAll(/[\s-]+/g, '_'));
  if (!names.includes('name')) return null;
  return names.map((name) => COLUMNS.find((column) => column === name) ?? null);
}

/** Whether a line that names none of our columns is meant as a heading all the same. */
function looksLikeHeading(cells: readonly string[]): boolean {
  const ours = cells.filter((cell) => COLUMNS.some((column) => column === cell.trim().toLowerCase()));
  return ours.length > 1 || ours.includes(cells[0] ?? '');
}

function byColumn(cells: readonly string[], columns: readonly (Column | null)[]): Cells {
  const named: Cells = {};
  for (const [nth, column] of columns.entries()) {
    const cell = cells[nth]?.trim() ?? '';
    if (column !== null && cell !== '') named[column] = cell;
  }
  return named;
}

function entryOf(cells: Cells, pieces: number, kinds: readonly Kind[], spec: PieceSpec | null): { readonly ok: true; readonly value: RosterEntry } | Wrong {
  const { name, team = null, target, plan = '', heart_limit, past = '' } = cells;
  if (name === undefined) return no(texts.noName);
  if ([...name].length > NAME_MAX) return no(texts.longName(name, NAME_MAX));
  if (team !== null && [...team].length > NAME_MAX) return no(texts.longTeam(name, NAME_MAX));
  const wanted = target === undefined ? null : readTarget(target);
  const odd = wanted === null ? '' : !wanted.ok ? wanted.says : spec === null ? '' : tooFast(wanted.value, spec);
  if (wanted !== null && (!wanted.ok || odd !== '')) return { ...no(texts.wrong(name, odd)), meant: meantBy(target ?? '', spec) };
  const means = readPlan(plan);
  if (!means.ok) return no(texts.wrong(name, means.says));
  const limit = readHeartLimit(heart_limit ?? '');
  if (!limit.ok) return no(texts.wrong(name, limit.says));
  const rowed = readPast(past);
  if (!rowed.ok) return no(texts.wrong(name, rowed.says));
  // They are for one piece; with several nobody could tell which.
  const isOpen = (nth: number) => kinds[nth] !== 'over';
  const open = Array.from({ length: pieces }, (_, nth) => nth).filter(isOpen);
  if (rowed.value.length > 0 && open.length > 1) return no(texts.pastOfOne(name, open.length));
  const aim: Aim = { target: wanted?.value ?? null, plan: means.value, history: [...rowed.value] };
  // A finish is not a target for a piece by time; one that fits none is sent all the same, and the answer says why not.
  const fits = (nth: number) => aim.target === null || kinds[nth] === undefined || fitsKind(aim.target, kinds[nth]);
  const any = open.some(fits);
  const takes = (nth: number) => isOpen(nth) && (fits(nth) || !any);
  // A finish belongs to one piece: carried on to another one it would be far off, and win the evening or spoil it.
  const isForAll = aim.target === null || aim.target.want === 'pace';
  const first = open.find(takes);
  const aimOf = (nth: number): Aim => {
    if (!takes(nth)) return { target: null, plan: { profile: 'even' }, history: [] };
    return isForAll || nth === first ? aim : { ...aim, target: null };
  };
  const aims = wanted === null && plan === '' && past === '' ? [] : Array.from({ length: pieces }, (_, nth) => aimOf(nth));
  return { ok: true, value: { spec: { name, team, heart_limit_bpm: limit.value }, aims } };
}

function fitsKind(target: Target, kind: Kind): boolean {
  return target.want === 'pace' || (target.want === 'finish') === (kind === 'distance');
}

/** Beats a minute; nothing typed means no limit. */
export function readHeartLimit(typed: string): Read<number | null> {
  const text = typed.trim();
  if (text === '') return { ok: true, value: null };
  const bpm = /^\d{1,3}$/.test(text) ? Number(text) : 0;
  if (bpm < HEART_LIMIT.least || bpm > HEART_LIMIT.most) {
    return no(texts.noLimit(text, HEART_LIMIT.least, HEART_LIMIT.most));
  }
  return { ok: true, value: bpm };
}

/** The cells of one line (RFC 4180, without line breaks in a cell). */
function cellsOf(line: string, between: string): Read<string[]> {
  const cells: string[] = [];
  let at = 0;
  for (;;) {
    const rest = line.slice(at);
    const quoted = /^\s*"((?:[^"]|"")*)"\s*/.exec(rest);
    if (quoted === null && rest.trimStart().startsWith('"')) return no(texts.openQuote);
    const end = quoted === null ? rest.indexOf(between) : quoted[0].length;
    if (quoted === null) cells.push(end === -1 ? rest : rest.slice(0, end));
    else cells.push((quoted[1] ?? '').replaceAll('""', '"'));
    if (end === -1 || at + end >= line.length) return { ok: true, value: cells };
    if (line[at + end] !== between) return no(texts.afterQuote);
    at += end + 1;
  }
}

function no(says: string): { readonly ok: false; readonly says: string } {
  return { ok: false, says };
}

/** The line with what was meant instead of what was typed. */
export function withMeant(text: string, line: number, { typed, text: meant }: Meant): string {
  const lines = text.split('\n');
  const before = lines[line - 1] ?? '';
  // A name may contain the same figures: the target usually comes after it.
  const at = before.lastIndexOf(typed);
  if (at === -1) return text;
  lines[line - 1] = `${before.slice(0, at)}${meant}${before.slice(at + typed.length)}`;
  return lines.join('\n');
}

/** What remains to be corrected once the good lines are taken: these lines, under their heading. */
export function leftOver(text: string, { heading }: Roster, wrong: ReadonlySet<number>): string {
  const stays = (line: number) => line === heading || wrong.has(line);
  return wrong.size === 0 ? '' : text.split('\n').filter((_, nth) => stays(nth + 1)).join('\n');
}
