// Focus calls as people write them: `850m: Sit tall / Tall at the catch, and breathe for 10 strokes`; and what of the
// call sheet is still to come.
import { coach as texts } from '#texts';
import { LIMITS } from '../../../generated/known';
import type { CallText, Line, PieceSpec, Point, Repeat, SentCall, SheetCall, Span } from '../../protocol/decode';
import { distanceText, durationText } from '../../ui/format';
import { readDistance, readTime, type Read } from '../../ui/parse';
import type { Trouble } from './roster';

/** What the server accepts for a call. */
const SHOWN_MAX = LIMITS.call_shown_max;
const WORDS_MAX = LIMITS.call_words_max;
const SPOKEN_MAX = LIMITS.call_spoken_max;
const STROKES_MAX = LIMITS.call_strokes_max;

/** The words of a call and how long it stands; without a length it stands until the next. */
export function readCall(typed: string): Read<{ readonly text: CallText; readonly span: Span }> {
  const [, before, length] = /^(.*) for ([^/]*)$/.exec(typed.trim()) ?? [];
  const span = length === undefined ? null : readSpan(length);
  const words = span === null || before === undefined ? typed.trim() : before;
  const [head = '', ...behind] = words.split(' / ');
  const [shown, spoken] = [head.trim(), behind.join(' / ').trim()];
  if (shown === '') return no(texts.typed.noWords);
  if ([...shown].length > SHOWN_MAX || shown.split(/\s+/).length > WORDS_MAX) {
    return no(texts.typed.longCall(shown, WORDS_MAX, SHOWN_MAX));
  }
  if ([...spoken].length > SPOKEN_MAX) return no(texts.typed.longSpoken(shown, SPOKEN_MAX));
  return { ok: true, value: { text: { shown, spoken }, span: span ?? { until: 'next' } } };
}

/** One entry of a call sheet: where, a colon and a space, the call. For everybody. */
export function readSheetCall(typed: string): Read<SheetCall> {
  const cut = typed.indexOf(': ');
  const at = cut === -1 ? null : readPoint(typed.slice(0, cut).trim());
  if (at === null) return no(texts.typed.noPoint(typed.trim()));
  const call = readCall(typed.slice(cut + 2));
  return call.ok ? { ok: true, value: { at, audience: { whom: 'all' }, ...call.value } } : call;
}

/** A call sheet, one call per line; `each last 50m: Legs first` stands for one call in every repeat. */
export function readSheet(text: string, repeats: readonly Repeat[]): { readonly values: readonly SheetCall[]; readonly troubles: readonly Trouble[] } {
  const { values, troubles } = readLines(text, (line) => readInEach(line, repeats));
  return { values: values.flat(), troubles };
}

function readInEach(line: string, repeats: readonly Repeat[]): Read<readonly SheetCall[]> {
  const of = /^each (.*)$/.exec(line.trim())?.[1];
  const call = readSheetCall(of ?? line);
  if (!call.ok) return call;
  if (of === undefined) return { ok: true, value: [call.value] };
  const points = inEach(call.value.at, repeats);
  return points.length === 0 ? no(texts.typed.noRepeat(line.trim())) : { ok: true, value: points.map((at) => ({ ...call.value, at })) };
}

/** The point in every repeat that is long enough for it, from the start of the piece. */
function inEach(at: Point, repeats: readonly Repeat[]): readonly Point[] {
  let before = 0;
  return repeats.flatMap(({ work }): Point[] => {
    const length = work.by === 'distance' ? work.distance_dm : work.time_ms;
    const start = before;
    before += length;
    const into =
      work.by === 'distance'
        ? at.point === 'distance_done'
          ? at.distance_dm
          : at.point === 'distance_to_go'
            ? length - at.distance_dm
            : null
        : at.point === 'elapsed'
          ? at.time_ms
          : null;
    if (into === null || into <= 0 || into >= length) return [];
    return [work.by === 'distance' ? { point: 'distance_done', distance_dm: start + into } : { point: 'elapsed', time_ms: start + into }];
  });
}

/** Every line that is not empty, each on its own. */
export function readLines<Value>(
  text: string,
  read: (line: string) => Read<Value>,
): { readonly values: readonly Value[]; readonly troubles: readonly Trouble[] } {
  const values: Value[] = [];
  const troubles: Trouble[] = [];
  for (const [nth, line] of text.split('\n').entries()) {
    if (line.trim() === '') continue;
    const found = read(line);
    if (found.ok) values.push(found.value);
    else troubles.push({ line: nth + 1, says: found.says });
  }
  return { values, troubles };
}

/** A call as it is typed, without its length when it stands until the next. */
export function callText({ shown, spoken }: CallText, span: Span = { until: 'next' }): string {
  const words = spoken === '' ? shown : `${shown} / ${spoken}`;
  return span.until === 'next' ? words : `${words} for ${spanText(span)}`;
}

export function sheetText({ at, text, span }: SheetCall): string {
  return `${pointText(at)}: ${callText(text, span)}`;
}

/** As it is typed, whatever the language of the page. */
function spanText(span: Span): string {
  switch (span.until) {
    case 'strokes':
      return span.strokes === 1 ? '1 stroke' : `${span.strokes} strokes`;
    case 'time':
      return span.time_ms < 60_000 ? `${span.time_ms / 1_000}s` : durationText(span.time_ms);
    case 'next':
      return 'until the next';
    default:
      return span satisfies never;
  }
}

/** As it is typed, whatever the language of the page. */
function pointText(at: Point): string {
  switch (at.point) {
    case 'distance_done':
      return distanceText(at.distance_dm);
    case 'distance_to_go':
      return `last ${distanceText(at.distance_dm)}`;
    case 'elapsed':
      return durationText(at.time_ms);
    case 'stroke':
      return `stroke ${at.number}`;
    default:
      return at satisfies never;
  }
}

/** A length of time in seconds or minutes, as it is read out. */
function lengthText(ms: number): string {
  return ms < 60_000 ? texts.calls.seconds(ms / 1_000) : durationText(ms);
}

/** How long calls of the pad last. */
export function lastsText(span: Span): string {
  switch (span.until) {
    case 'strokes':
      return texts.calls.lastStrokes(span.strokes);
    case 'time':
      return texts.calls.lastTime(lengthText(span.time_ms));
    case 'next':
      return texts.calls.lastUntilNext;
    default:
      return span satisfies never;
  }
}

/** How long a call lasts, as an option to choose. */
export function spanChoice(span: Span): string {
  switch (span.until) {
    case 'strokes':
      return texts.calls.strokes(span.strokes);
    case 'time':
      return lengthText(span.time_ms);
    case 'next':
      return texts.calls.untilNext;
    default:
      return span satisfies never;
  }
}

/** Where in the piece the sheet sends a call. */
export function whereText(at: Point): string {
  switch (at.point) {
    case 'distance_done':
      return texts.calls.at.done(distanceText(at.distance_dm));
    case 'distance_to_go':
      return texts.calls.at.left(distanceText(at.distance_dm));
    case 'elapsed':
      return texts.calls.at.time(durationText(at.time_ms));
    case 'stroke':
      return texts.calls.at.stroke(at.number);
    default:
      return at satisfies never;
  }
}

/** An entry of the sheet that somebody has not had yet. */
export interface Coming {
  readonly entry: SheetCall;
  /** How many of those who row have had it. */
  readonly had: number;
  readonly of: number;
}

/** What the sheet sends next: the first entry that not everybody who rows has had; null when everything has been said. */
export function nextOfSheet({ call_sheet }: PieceSpec, calls: readonly SentCall[], lines: readonly Line[]): Coming | null {
  const rowing = lines.filter(({ doing }) => doing === 'rowing').map(({ athlete }) => athlete);
  const had = new Map<number, Set<string>>();
  for (const { sheet, athletes } of calls) {
    if (sheet === null) continue;
    const all = had.get(sheet) ?? new Set();
    for (const athlete of athletes) all.add(athlete);
    had.set(sheet, all);
  }
  for (const [nth, entry] of call_sheet.entries()) {
    const count = rowing.filter((athlete) => had.get(nth)?.has(athlete) === true).length;
    if (count < rowing.length || rowing.length === 0) return { entry, had: count, of: rowing.length };
  }
  return null;
}

/** Where a point of the piece lies, as a share of all its work; null where that is not known beforehand. */
export function shareOf(at: Point, { repeats }: PieceSpec): number | null {
  const dm = repeats.reduce((sum, { work }) => sum + (work.by === 'distance' ? work.distance_dm : 0), 0);
  const ms = repeats.reduce((sum, { work }) => sum + (work.by === 'time' ? work.time_ms : 0), 0);
  switch (at.point) {
    case 'distance_done':
      return dm > 0 ? at.distance_dm / dm : null;
    case 'distance_to_go':
      return dm > 0 ? 1 - at.distance_dm / dm : null;
    case 'elapsed':
      return ms > 0 ? at.time_ms / ms : null;
    case 'stroke':
      return null;
    default:
      return at satisfies never;
  }
}

function readPoint(typed: string): Point | null {
  const [, stroke] = /^stroke (\d{1,6})$/.exec(typed) ?? [];
  if (stroke !== undefined) return { point: 'stroke', number: Number(stroke) };
  const last = /^last (.*)$/.exec(typed)?.[1];
  if (last !== undefined) {
    const left = readDistance(last);
    return left.ok ? { point: 'distance_to_go', distance_dm: left.value } : null;
  }
  const done = readDistance(typed);
  if (done.ok) return { point: 'distance_done', distance_dm: done.value };
  const time = readTime(typed);
  return time.ok ? { point: 'elapsed', time_ms: time.value } : null;
}

/** `10 strokes`, `30s`, `1:30`. */
function readSpan(typed: string): Span | null {
  const [, strokes] = /^(\d{1,3}) *strokes?$/.exec(typed.trim()) ?? [];
  if (strokes !== undefined) {
    const number = Number(strokes);
    return number >= 1 && number <= STROKES_MAX ? { until: 'strokes', strokes: number } : null;
  }
  const time = readTime(typed);
  return time.ok ? { until: 'time', time_ms: time.value } : null;
}

function no(says: string): { readonly ok: false; readonly says: string } {
  return { ok: false, says };
}
