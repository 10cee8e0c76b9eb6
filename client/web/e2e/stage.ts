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

/** What is wider than the window, and words over each other that can be seen. */
export function faults(page: Page): Promise<string[]> {
  return page.evaluate(() => {
    const [above, below] = [0.24, 0.22];
    const wide = (document.scrollingElement?.scrollWidth ?? 0) - innerWidth;
    const texts: { text: string; left: number; right: number; top: number; bottom: number }[] = [];
    const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    for (let node = walker.nextNode(); node !== null; node = walker.nextNode()) {
      const text = node.textContent?.trim() ?? '';
      const parent = node.parentElement;
      if (text === '' || parent === null || !parent.checkVisibility() || parent.closest('noscript, .unseen') !== null) continue;
      const range = document.createRange();
      range.selectNodeContents(node);
      for (const rect of range.getClientRects()) {
        // As much of it as the parts that it is scrolled in let through.
        let [left, right, top, bottom] = [rect.left, rect.right, rect.top + above * rect.height, rect.bottom - below * rect.height];
        for (let part: Element | null = parent; part !== null; part = part.parentElement) {
          if (getComputedStyle(part).overflow === 'visible') continue;
          const { left: l, right: r, top: t, bottom: b } = part.getBoundingClientRect();
          [left, right, top, bottom] = [Math.max(left, l), Math.min(right, r), Math.max(top, t), Math.min(bottom, b)];
        }
        if (right - left > 1 && bottom - top > 1) texts.push({ text: text.slice(0, 30), left, right, top, bottom });
      }
    }
    const covered = texts.flatMap((one, nth) =>
      texts.slice(nth + 1).flatMap((other) => {
        const across = Math.min(one.right, other.right) - Math.max(one.left, other.left);
        const down = Math.min(one.bottom, other.bottom) - Math.max(one.top, other.top);
        return one.text !== other.text && across > 1.5 && down > 1.5 ? [`${one.text} over ${other.text}`] : [];
      }),
    );
    // What waits and what is active is read at a glance, never scrolled to.
    const calls = document.querySelector('.calls .now');
    const hidden = calls === null ? 0 : calls.scrollHeight - calls.clientHeight;
    return [...(wide > 0 ? [`${wide} px wider than the window`] : []), ...(hidden > 0 ? [`${hidden} px of the calls are hidden`] : []), ...covered];
  });
}

/** The address with a setting of the page in its query; the secret stays in the fragment. */
export function withQuery(address: string, name: string, value: string): string {
  const url = new URL(address);
  url.searchParams.set(name, value);
  return url.href;
}
