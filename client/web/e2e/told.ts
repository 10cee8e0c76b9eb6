// A session that is told to a page and rowed by nobody: every moment of it can be looked at, and stands as long as it is
// looked at. For how a page looks; how pages, server and rowers work together is seen in a hall.
import { mkdtemp, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Page, WebSocketRoute } from 'playwright-core';
import { build, preview, type PreviewServer } from 'vite';
import type { AthleteResult, AthleteView, Event, Happening, Line, Notice, Phase, PieceSpec, ServerMsg, ServerWelcome, SentCall, TeamLine } from '../src/protocol/decode';

const GO_MS = 100_000;
export const CALL = 'd94a2c07-6e1b-4f83-b5c9-72a0e3f816bd';

/** Names as people have them: short and long, with marks above and below, in other scripts, alike but for the end. */
const NAMES = [
  'Hanneke Dijkstra', 'Jun Mori', 'Salome Kvaratskhelia', 'Orla Vance', 'Nadia Farouk', 'Casper Lind', 'Łukasz Żółć', 'Lotte Brandt', 'Ibrahim Osei', 'Priya Nair',
  'Edvin Ross', 'Tomasz Wójcik', 'Wren Ashdown', "Siobhán O'Brien", 'Ana Quill', 'Ana Rey', 'Bo Ek', 'Zsófia Vantongeren', 'Marek Ito', 'Uwe Bellweather',
  'שרה כהן', 'محمد علي', 'Aroha Ngata', 'Per Lund', 'Odalys Ruiz', 'Mirjam Ek', 'Gyula Szűcs', 'Yuki Abe', 'Tomasina Grey', 'Dov Marrick',
] as const;

export interface Field {
  readonly count: number;
  readonly teams?: readonly string[];
  readonly speed?: number;
  readonly title?: string;
  /** Of the nth, in millionths; null without a projection. */
  readonly margin?: (nth: number) => number | null;
  readonly elapsedMs?: number;
  readonly line?: (nth: number) => Partial<Line>;
  /** What the page is: a board, if nothing else is said. */
  readonly role?: 'board' | 'coach';
  readonly spec?: Partial<PieceSpec>;
  /** What is known of the nth before the start. */
  readonly athlete?: (nth: number) => Partial<AthleteView>;
  /** More for the welcome. */
  readonly welcome?: Partial<ServerWelcome>;
  /** What the coach should see of the nth now. */
  readonly notices?: readonly (readonly [number, Notice['about']])[];
  /** For whom all wait. */
  readonly waitsFor?: readonly number[];
}

/** The pages as they are now, and where they are. */
export async function site(): Promise<{ origin: string; close: () => Promise<void> }> {
  const given = process.env['THOLE_PAGES'];
  const folder = given ?? (await mkdtemp(join(tmpdir(), 'thole-told-')));
  if (given === undefined) await build({ logLevel: 'error', build: { outDir: folder } });
  const server: PreviewServer = await preview({ logLevel: 'silent', build: { outDir: folder }, preview: { host: '127.0.0.1', port: 0 } });
  return {
    origin: server.resolvedUrls?.local[0]?.replace(/\/$/, '') ?? '',
    close: async () => {
      await server.close();
      if (given === undefined) await rm(folder, { recursive: true, force: true });
    },
  };
}

export class Told {
  readonly field: Field;
  #socket: WebSocketRoute | null = null;
  #events = 0;
  #atMs: number;
  #phase: Phase = { phase: 'gathering' };
  #calls: Event[] = [];
  #gone = false;
  #results: AthleteResult[] = [];
  #called: ReadonlySet<string> = new Set();

  constructor(field: Field) {
    this.field = field;
    this.#atMs = GO_MS + (field.elapsedMs ?? 90_000);
  }

  /** Opens a page, which hears of this session and no server. */
  async open(page: Page, address: string): Promise<void> {
    await page.routeWebSocket(/\/ws$/, (socket) => {
      if (this.#gone) return void socket.close();
      this.#socket = socket;
      socket.onMessage((said) => {
        if (String(said).includes('"hello"')) socket.send(JSON.stringify(this.#welcome()));
      });
    });
    await page.goto(address);
  }

  id(nth: number): string {
    return idOf(nth);
  }

  name(nth: number): string {
    const [one = '', other = ''] = [nth, nth * 7 + 3 * Math.floor(nth / NAMES.length)].map((at) => NAMES[at % NAMES.length]);
    return nth < NAMES.length ? one : `${other.split(' ')[0]} ${one.split(' ')[1]}`;
  }

  /** The server is gone, and does not come back. */
  goes(): void {
    this.#gone = true;
    void this.#socket?.close();
  }

  /** The piece comes into this phase. */
  turns(phase: 'gathering' | 'armed' | 'counting' | 'resting' | 'closing' | 'stopped'): void {
    const go_at_ms = phase === 'counting' ? this.#atMs + 60_000 : GO_MS;
    switch (phase) {
      case 'gathering':
      case 'armed':
        return this.#turns({ phase });
      case 'counting':
      case 'closing':
        return this.#turns({ phase, go_at_ms });
      case 'resting':
        return this.#turns({ phase, go_at_ms, next_repeat: 1, next_at_ms: this.#atMs + 60_000 });
      case 'stopped':
        return this.#turns({ phase, go_at_ms, stopped_at_ms: this.#atMs });
      default:
        return phase satisfies never;
    }
  }

  /** Everybody has rowed for this long. */
  rows(repeat = 0): void {
    this.#turns({ phase: 'rowing', go_at_ms: GO_MS, repeat, repeat_at_ms: GO_MS });
    this.stands(this.field.elapsedMs ?? 90_000);
  }

  /** Standings this long after the go. */
  stands(elapsedMs: number, change: Partial<Field> = {}): void {
    this.#atMs = GO_MS + elapsedMs;
    const field = { ...this.field, ...change };
    const calls = this.#calls.length > 0 ? [{ call: CALL, athletes: 1, strokes_left: 6 }] : [];
    const lines = this.#nths().map((nth) => ({ ...lineOf(this.id(nth), nth, field, elapsedMs), ...field.line?.(nth) }));
    listAsShown(lines);
    const waits_for = (field.waitsFor ?? []).map((nth) => this.id(nth));
    const standings = { piece: 0, at_ms: this.#atMs, drawn_at_ms: this.#atMs, lines, teams: this.#teams(), calls, waits_for };
    if (field.role !== 'coach') return this.#say({ type: 'standings', ...standings });
    const details = lines.map(({ athlete }) => ({
      athlete, done_dm: 4_000, elapsed_ms: elapsedMs, pace_per_500m_ms: 118_000, plan_per_500m_ms: 117_000, rate_half_spm: 54, heart_bpm: 158,
      call: this.#called.has(athlete) ? CALL : null, call_strokes_left: this.#called.has(athlete) ? 6 : null,
    }));
    const notices = (field.notices ?? []).map(([nth, about]): Notice => ({ athlete: this.id(nth), since_ms: this.#atMs - 20_000, about }));
    this.#say({ type: 'overview', standings, details, notices });
  }

  /** A call goes out to these. */
  calls(shown: string, nths: readonly number[]): void {
    const call: SentCall = {
      call: CALL,
      text: { shown, spoken: '' },
      span: { until: 'strokes', strokes: 10 },
      sent_at_ms: this.#atMs,
      athletes: nths.map((nth) => this.id(nth)),
      replaced: [],
      sheet: null,
    };
    this.#called = new Set(call.athletes);
    this.#calls = [this.#happens({ kind: 'call_sent', ...call })];
  }

  /** One waits out its grace. */
  arms(shown: string): void {
    this.#calls = [this.#happens({ kind: 'call_armed', call: CALL, text: { shown, spoken: '' }, sends_at_ms: this.#atMs + 60_000 })];
  }

  callEnds(): void {
    [this.#calls, this.#called] = [[], new Set()];
    this.#happens({ kind: 'call_ended', call: CALL });
  }

  /** It is over, with the results as the margins are. */
  finishes(outcome: (nth: number) => AthleteResult['outcome'] = () => 'finished', more: (nth: number) => Partial<AthleteResult> = () => ({})): void {
    this.#turns({ phase: 'closing', go_at_ms: GO_MS });
    const margin = (nth: number) => this.field.margin?.(nth) ?? usual(nth);
    const done = this.#nths().filter((nth) => outcome(nth) === 'finished').sort((a, b) => margin(b) - margin(a));
    const results = this.#nths().map((nth): AthleteResult => {
      const home = resultOf(nth, margin(nth));
      if (outcome(nth) === 'finished') return { ...home, place: done.indexOf(nth) + 1, ...more(nth) };
      return { ...home, outcome: outcome(nth), distance_dm: 8_047, shown: null, margin: null, ...more(nth) };
    });
    this.#results = results;
    this.#happens({ kind: 'results', piece: 0, results, teams: this.#teams() });
    this.#turns({ phase: 'finished', go_at_ms: GO_MS });
  }

  #nths(): number[] {
    return [...Array(this.field.count).keys()];
  }

  #teams(): TeamLine[] {
    const teams = this.field.teams ?? [];
    const counted = Math.floor(this.field.count / Math.max(1, teams.length));
    return teams.map((team, nth) => ({ team, place: nth + 1, mean_margin: 6_400 - 900 * nth, counted }));
  }

  #turns(phase: Phase): void {
    this.#phase = phase;
    this.#happens({ kind: 'phase_changed', piece: 0, phase });
  }

  #happens(what: Happening): Event {
    const event: Event = { event: (this.#events += 1), at_ms: this.#atMs, late: false, what };
    this.#say({ type: 'events', events: [event] });
    return event;
  }

  #say(msg: ServerMsg): void {
    this.#socket?.send(JSON.stringify(msg));
  }

  #welcome(): ServerWelcome {
    const { title = 'Tuesday at the weir', speed = 1, teams = [], role = 'board' } = this.field;
    return {
      type: 'welcome',
      version: 1,
      build: '__BUILD__',
      epoch: '5d2f9a61',
      session: '01994c1e-7a30-7c55-8d21-5f0be4a9c3d0',
      code: 'KAMURETA',
      title,
      settings: { ranking: 'share', team_best: 0, grace_ms: 2_000, joining: 'guests' },
      at_ms: this.#atMs,
      speed,
      role,
      you: null,
      in_command: role === 'coach',
      last_event: this.#events,
      durable: null,
      closed: false,
      pieces: [
        {
          piece: 0,
          spec: {
            title: '',
            repeats: [{ work: { by: 'distance', distance_dm: 17_000 }, rest_ms: 0 }],
            clock: 'common_go',
            repeat_start: 'common_signal',
            count_ms: 10_000,
            call_sheet: [],
            ...this.field.spec,
          },
          phase: this.#phase,
          results: this.#results,
          teams: this.#results.length > 0 ? this.#teams() : [],
        },
      ],
      current: 0,
      athletes: this.#nths().map((nth) => ({
        athlete: this.id(nth),
        spec: { name: this.name(nth), team: teams[nth % Math.max(1, teams.length)] ?? null, heart_limit_bpm: null },
        aim: { target: null, plan: { profile: 'even' }, history: [] },
        doing: 'here',
        cautions_read: true,
        machine: 'machine',
        clock_bound_ms: 5,
        heart_rate: false,
        on_board: 'name',
        question: null,
        ...this.field.athlete?.(nth),
      })),
      prepared: [],
      calibration: null,
      calls: this.#calls,
      call: null,
      own: null,
      requests: [],
      damage: [],
      ...this.field.welcome,
    };
  }
}

/** As the server lists them: by the margins as they are shown, equals sharing a place, then who has none and why. */
function listAsShown(lines: Line[]): void {
  const whys = ['untargeted', 'missed', 'settling', 'unheard', 'here', 'stopped', 'away', 'unranked', 'excluded'] as const;
  for (const line of lines) {
    line.instead ??= insteadOf(line);
    const { margin, instead } = line;
    line.margin = margin === null || instead !== null ? null : { ...margin, margin_ppm: Math.sign(margin.margin_ppm) * Math.floor((Math.abs(margin.margin_ppm) + 500) / 1_000) * 1_000 };
    if (instead !== null && instead !== 'untargeted' && instead !== 'unheard') line.projected = null;
    line.place = null;
  }
  const shown = ({ margin, instead }: Line) => margin?.margin_ppm ?? -1e9 - (instead === null ? 0 : whys.indexOf(instead));
  lines.sort((a, b) => shown(b) - shown(a) || (a.athlete < b.athlete ? -1 : 1));
  for (const [nth, line] of lines.entries()) {
    const above = lines[nth - 1];
    if (line.margin !== null) line.place = above !== undefined && shown(above) === shown(line) ? above.place : nth + 1;
  }
}

function insteadOf({ doing, not_heard, place, margin, projected, elapsed_ms }: Line): Line['instead'] {
  if (doing === 'here' || doing === 'away' || doing === 'stopped') return doing;
  if (doing === 'rowing' && not_heard && place === null) return 'unheard';
  if (doing === 'rowing' && (projected === null || elapsed_ms < 20_000)) return 'settling';
  return margin === null ? 'untargeted' : null;
}

/** The nth has finished this many millionths ahead of the target. */
export function resultOf(nth: number, margin_ppm: number): AthleteResult {
  const target = 360_000 + nth * 7_000;
  const time_ms = Math.round(target * (1 - margin_ppm / 1_000_000));
  return {
    athlete: idOf(nth),
    outcome: 'finished',
    place: null,
    target: { want: 'finish', finish_ms: target },
    time_ms,
    distance_dm: 17_000,
    sure_ms: 1_000,
    sure_dm: null,
    shown: { want: 'finish', finish_ms: time_ms },
    margin: { margin_ppm, margin_ms: target - time_ms, margin_dm: null },
    estimate: null, splits: [],
    strokes: 200,
    marks: [],
  };
}

function idOf(nth: number): string {
  return `01994c1f-0b12-7e80-9a3c-${String(nth).padStart(12, '0')}`;
}

/** From 2.3 % ahead to as much behind, in no order. */
function usual(nth: number): number {
  return ((nth * 7_919) % 4_600) * 10 - 23_000;
}

function lineOf(athlete: string, nth: number, { margin = usual }: Field, elapsed_ms: number): Line {
  const ppm = margin(nth);
  const target = 360_000 + nth * 7_000;
  const heads = target - Math.round(((ppm ?? 0) * target) / 1_000_000);
  const sd = 3_000 + ((nth * 37) % 60) * 100;
  const finish = (finish_ms: number) => ({ want: 'finish' as const, finish_ms });
  return {
    athlete,
    place: ppm === null ? null : 1,
    doing: 'rowing',
    not_heard: false,
    margin: ppm === null ? null : { margin_ppm: ppm, margin_ms: target - heads, margin_dm: null },
    projected: ppm === null ? null : { finish: finish(heads), low: finish(heads - sd), high: finish(heads + sd), chance_permille: 500 },
    done_dm: 4_000,
    elapsed_ms,
    share_permille: 300,
    against_target: null, instead: null,
  };
}
