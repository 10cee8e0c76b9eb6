// The real server with its demo class, and a real browser: what the tests of the pages stand on.
import { spawn, type ChildProcess } from 'node:child_process';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { createInterface } from 'node:readline';
import { chromium, type Browser, type Page } from 'playwright-core';

const AXE = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const CHROMIUM = process.env['CHROMIUM'] ?? '/usr/bin/chromium';
const PROGRAM = process.env['THOLE_SERVER_PROGRAM'] ?? '../../target/release/thole-server';
/** Nothing of what a browser does by itself; all of it on this machine. */
const FLAGS = [
  '--no-sandbox',
  '--disable-gpu',
  '--disable-quic',
  '--no-first-run',
  '--disable-background-networking',
  '--disable-component-update',
  '--disable-sync',
];

/** WCAG 2.2, A and AA: the tags of axe-core. */
const RULES = ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'];

/** A server that rows its demo, this many times faster than real time. */
export interface Demo {
  readonly coach: string;
  readonly join: string;
  readonly seat: string;
  readonly board: string;
  stop(): Promise<void>;
}

export async function demo(speed: number): Promise<Demo> {
  const server = spawn(PROGRAM, ['demo', '--listen', '127.0.0.1:0', '--speed', String(speed)], { stdio: ['ignore', 'pipe', 'inherit'] });
  const links = new Map<string, string>();
  for await (const line of createInterface({ input: server.stdout })) {
    const [, who, link] = /^\s+(Coach|Athlete|A free seat|Board)\s+(http\S+)/.exec(line) ?? [];
    if (who !== undefined && link !== undefined) links.set(who, link);
    if (links.size === 4) break;
  }
  const link = (who: string): string => {
    const found = links.get(who);
    if (found === undefined) throw new Error(`${PROGRAM} demo has printed no link for ${who}`);
    return found;
  };
  // Nobody reads on, and a full pipe would hold the demo up.
  server.stdout.resume();
  return { coach: link('Coach'), join: link('Athlete'), seat: link('A free seat'), board: link('Board'), stop: () => ended(server) };
}

function ended(server: ChildProcess): Promise<void> {
  return new Promise((resolve) => {
    if (server.exitCode !== null || server.signalCode !== null) return resolve();
    server.once('exit', () => resolve());
    server.kill('SIGTERM');
  });
}

export function launch(): Promise<Browser> {
  return chromium.launch({ executablePath: CHROMIUM, args: FLAGS });
}

/** A page, and everything that went wrong on it. */
export interface Opened {
  readonly page: Page;
  readonly wrong: string[];
}

export async function open(browser: Browser, address: string, size: { width: number; height: number }): Promise<Opened> {
  const page = await browser.newPage({ viewport: size });
  const wrong: string[] = [];
  page.on('pageerror', (error) => wrong.push(String(error)));
  page.on('console', (said) => {
    if (said.type() === 'error' || said.type() === 'warning') wrong.push(said.text());
  });
  await page.goto(address);
  return { page, wrong };
}

/** What of the page is against WCAG 2.2 A or AA, by axe-core. */
export async function violations(page: Page): Promise<string[]> {
  await page.evaluate(AXE);
  return page.evaluate<string[]>(
    `axe.run(document, { runOnly: ${JSON.stringify(RULES)} }).then(({ violations }) =>
      violations.flatMap(({ id, nodes }) => nodes.map((node) => id + ': ' + node.target.join(' '))))`,
  );
}

/** The address with a setting of the page in its query; the secret stays in the fragment. */
export function withQuery(address: string, name: string, value: string): string {
  const url = new URL(address);
  url.searchParams.set(name, value);
  return url.href;
}
