// A hall to look at: a server, a session, its coach and any number of invented athletes, each a program of its own.
import { spawn, type ChildProcess, type ChildProcessByStdio } from 'node:child_process';
import { mkdtemp, rm, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { createInterface } from 'node:readline';
import type { Readable, Writable } from 'node:stream';

const SERVER = process.env['THOLE_SERVER_PROGRAM'] ?? '../../target/release/thole-server';
const CLIENT = process.env['THOLE_PROGRAM'] ?? join(dirname(SERVER), 'thole');

export interface Athlete {
  readonly name: string;
  readonly team?: string;
  readonly target: string;
  /** The coach's plan for them, as it is typed. */
  readonly plan?: string;
  /** What they row, with all that `thole row` can be told; nobody rows without. */
  readonly row?: readonly string[];
}

export interface HallConfig {
  readonly title: string;
  readonly piece: string;
  readonly speed: number;
  readonly athletes: readonly Athlete[];
  /** More for `thole coach create`. */
  readonly create?: readonly string[];
}

/** Who could come: invented names, short and long. */
const FIRST = ['Ida', 'Bo', 'Marek', 'Zsófia', 'Tomasina', 'Uwe', 'Lin', 'Odalys', 'Per', 'Aroha'];
const LAST = ['Ross', 'Quillan', 'Vantongeren', 'Ito', 'Ek', 'Bellweather'];

/** So many athletes, each with a target of their own, some a little better and some a little worse than it. */
export function athletes(count: number, metres: number, seconds: (nth: number) => number, teams: readonly string[] = []): Athlete[] {
  return Array.from({ length: count }, (_, nth) => {
    const target = seconds(nth);
    const team = teams[nth % Math.max(1, teams.length)];
    return {
      name: `${FIRST[nth % FIRST.length]} ${LAST[Math.floor(nth / FIRST.length + nth) % LAST.length]}${nth < 60 ? '' : nth}`,
      ...(team === undefined ? {} : { team }),
      target: `${Math.floor(target / 60)}:${String(target % 60).padStart(2, '0')}`,
      // From a second in 500 m quicker than the target to one slower.
      row: ['--seed', String(nth + 1), '--pace', paceText((target * 500) / metres + ((nth * 5) % 7) / 3 - 1)],
    };
  });
}

function paceText(seconds: number): string {
  return `${Math.floor(seconds / 60)}:${(seconds % 60).toFixed(1).padStart(4, '0')}`;
}

export class Hall {
  readonly board: string;
  readonly coach: string;
  readonly join: string;
  readonly #config: HallConfig;
  readonly #folder: string;
  readonly #links: ReadonlyMap<string, string>;
  readonly #coach: ChildProcessByStdio<Writable, Readable, null>;
  readonly #rowing = new Map<string, ChildProcess>();
  #server: ChildProcess;
  readonly #port: string;

  private constructor(config: HallConfig, folder: string, port: string, server: ChildProcess, made: Made) {
    this.#config = config;
    this.#folder = folder;
    this.#port = port;
    this.#server = server;
    this.board = made.board_link;
    this.coach = made.coach_link;
    this.join = made.join_link;
    this.#links = new Map(made.athletes.map(({ name, link }) => [name, link]));
    this.#coach = spawn(CLIENT, ['coach', '--link', made.coach_link, 'lead'], { stdio: ['pipe', 'pipe', 'ignore'] });
    // Phones join by names of the roster, and this coach lets them in as soon as they ask.
    createInterface(this.#coach.stdout).on('line', (line) => {
      if (line.includes('asks to be let in')) this.say('let-in-all');
    });
  }

  static async open(config: HallConfig): Promise<Hall> {
    const folder = await mkdtemp(join(tmpdir(), 'thole-hall-'));
    const { server, port } = await serve(folder, '0', config.speed);
    const roster = config.athletes.map(({ name, team = '', target, plan = '' }) => `${name},${team},${target},${plan}`);
    await writeFile(join(folder, 'roster.csv'), ['name,team,target,plan', ...roster].join('\n'));
    const create = ['coach', 'create', '--json', '--server', `ws://127.0.0.1:${port}`, '--title', config.title];
    const more = ['--data', join(folder, 'data'), '--piece', config.piece, '--roster', join(folder, 'roster.csv'), ...(config.create ?? [])];
    const made = await firstLine(spawn(CLIENT, [...create, ...more], { stdio: ['ignore', 'pipe', 'inherit'] }));
    return new Hall(config, folder, port, server, madeOf(made));
  }

  /** What the coach types. */
  say(line: string): void {
    this.#coach.stdin.write(`${line}\n`);
  }

  /** Those of the roster who row sit down; or these alone. */
  sit(names: readonly string[] = this.#config.athletes.map(({ name }) => name)): void {
    for (const { name, row } of this.#config.athletes) {
      const link = this.#links.get(name);
      if (row === undefined || link === undefined || !names.includes(name)) continue;
      const words = ['row', '--link', link, '--cautions-read', '--stay', '--speed', String(this.#config.speed), ...row];
      this.#rowing.set(name, spawn(CLIENT, words, { stdio: 'ignore' }));
    }
  }

  /** Somebody's device is gone without a word. */
  lose(name: string): void {
    this.#rowing.get(name)?.kill('SIGKILL');
  }

  /** The server is gone without a word … */
  killServer(): Promise<void> {
    return ended(this.#server, 'SIGKILL');
  }

  /** … and with all that it has kept … */
  loseDisk(): Promise<void> {
    return rm(join(this.#folder, 'data'), { recursive: true, force: true });
  }

  /** … and back, at the same address. */
  async startServer(): Promise<void> {
    this.#server = (await serve(this.#folder, this.#port, this.#config.speed)).server;
  }

  async close(): Promise<void> {
    await Promise.all([...this.#rowing.values(), this.#coach].map((child) => ended(child, 'SIGKILL')));
    await ended(this.#server, 'SIGTERM');
    await rm(this.#folder, { recursive: true, force: true });
  }
}

interface Made {
  readonly board_link: string;
  readonly coach_link: string;
  readonly join_link: string;
  readonly athletes: readonly { readonly name: string; readonly link: string }[];
}

function madeOf(line: string): Made {
  const made: unknown = JSON.parse(line);
  if (!isMade(made)) throw new Error(`thole coach create has said: ${line}`);
  return made;
}

function isMade(said: unknown): said is Made {
  return typeof said === 'object' && said !== null && 'board_link' in said && 'coach_link' in said && 'join_link' in said && 'athletes' in said;
}

async function serve(folder: string, port: string, speed: number): Promise<{ server: ChildProcess; port: string }> {
  const words = ['serve', '--data', join(folder, 'data'), '--listen', `127.0.0.1:${port}`, '--speed', String(speed)];
  // The server refuses settings that it does not know, and the tests have some of their own.
  const ours = Object.entries(process.env).filter(([name]) => !name.startsWith('THOLE_'));
  const env = { ...Object.fromEntries(ours), RUST_LOG: 'error' };
  const server = spawn(SERVER, words, { stdio: ['ignore', 'pipe', 'ignore'], env });
  const said = await firstLine(server);
  const [, got] = /:(\d+)$/.exec(said) ?? [];
  if (got === undefined) throw new Error(`${SERVER} serve has said: ${said}`);
  return { server, port: got };
}

async function firstLine(program: ChildProcess): Promise<string> {
  const out: Readable | null = program.stdout;
  if (out === null) throw new Error('a program without an output was asked for a line');
  for await (const line of createInterface({ input: out })) {
    out.resume();
    return line;
  }
  throw new Error(`${program.spawnfile} ended without a word`);
}

function ended(program: ChildProcess, signal: 'SIGKILL' | 'SIGTERM'): Promise<void> {
  return new Promise((resolve) => {
    if (program.exitCode !== null || program.signalCode !== null) return resolve();
    program.once('exit', () => resolve());
    program.kill(signal);
  });
}
