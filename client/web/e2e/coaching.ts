// A coach before the desk, in a real browser: a server, sessions made on the page, athletes who row and tell what they
// are told, and whether what is shown is in order.
import { spawn, type ChildProcess } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { createInterface } from 'node:readline';
import type { Browser, Locator, Page } from 'playwright-core';
import { expect } from 'vitest';
import { launch, open, violations, type Opened } from './stage';

const PROGRAM = process.env['THOLE_SERVER_PROGRAM'] ?? '../../target/release/thole-server';
const ATHLETE = process.env['THOLE_PROGRAM'] ?? join(dirname(PROGRAM), 'thole');
export const LAPTOP = { width: 1280, height: 800 };
export const SMALL_LAPTOP = { width: 1024, height: 768 };
export const TABLET = { width: 820, height: 1180 };
/** The laptop at a zoom of 200 %. */
const ZOOMED = { width: 640, height: 400, deviceScaleFactor: 2, mobile: false };
/** The server takes every name that begins so for a setting of its own. */
const ENV = Object.fromEntries(Object.entries(process.env).filter(([name]) => !name.startsWith('THOLE_')));
/** Where the screenshots go, if somebody wants to look at them. */
const SHOTS = process.env['THOLE_SHOTS'];

/** Made on the page, with all that the browser asked for and all that went wrong. */
export interface Made extends Opened {
  readonly asked: string[];
}

export class Coaching {
  readonly base: string;
  readonly browser: Browser;
  readonly #speed: number;
  readonly #data: string;
  readonly #server: ChildProcess;
  readonly #rowers: ChildProcess[] = [];

  private constructor(base: string, browser: Browser, speed: number, data: string, server: ChildProcess) {
    [this.base, this.browser, this.#speed, this.#data, this.#server] = [base, browser, speed, data, server];
  }

  /** A server this many times faster than real time. */
  static async open(speed: number): Promise<Coaching> {
    const data = mkdtempSync(join(tmpdir(), 'thole-coach-'));
    const server = spawn(PROGRAM, ['serve', '--listen', '127.0.0.1:0', '--data', data, '--speed', String(speed)], { env: ENV, stdio: ['ignore', 'pipe', 'inherit'] });
    for await (const line of createInterface({ input: server.stdout })) {
      const [, address] = /(https?:\/\/127\.0\.0\.1:\d+)/.exec(line) ?? [];
      if (address === undefined) continue;
      server.stdout.resume();
      return new Coaching(address, await launch(), speed, data, server);
    }
    throw new Error(`${PROGRAM} serve has named no address`);
  }

  async close(): Promise<void> {
    await this.browser.close();
    for (const child of [...this.#rowers, this.#server]) await ended(child);
    rmSync(this.#data, { recursive: true, force: true });
  }

  /** One who rows; what they are told comes as lines. */
  row(code: string, name: string, target: string, more: readonly string[] = []): string[] {
    const told: string[] = [];
    const who = ['--code', code, '--name', name, '--target', target, '--cautions-read', '--stay'];
    const args = ['row', '--server', this.base.replace('http', 'ws'), ...who, '--speed', String(this.#speed), '--json', ...more];
    const child = spawn(ATHLETE, args, { env: ENV, stdio: ['ignore', 'pipe', 'inherit'] });
    createInterface({ input: child.stdout }).on('line', (line) => told.push(line));
    this.#rowers.push(child);
    return told;
  }

  /** The server says nothing and hears nothing … */
  silence(): void {
    this.#server.kill('SIGSTOP');
  }

  /** … until now. */
  hearAgain(): void {
    this.#server.kill('SIGCONT');
  }

  /** The link by which sessions are made; the machine's own key does as well as the head coach's. */
  get headCoach(): string {
    return `${this.base}/coach/#${machineKey(this.#data)}`;
  }

  async made(title: string): Promise<Made> {
    const asked: string[] = [];
    const { page, wrong } = await open(this.browser, 'about:blank', LAPTOP);
    page.setDefaultTimeout(15_000);
    page.on('request', (request) => asked.push(request.url()));
    await page.goto(this.headCoach);
    await page.getByLabel('Title').fill(title);
    await page.getByRole('button', { name: 'Make the session' }).click();
    await page.getByRole('heading', { name: title }).waitFor();
    return { page, wrong, asked };
  }
}

/** The key by which a program on the server's machine makes sessions. */
function machineKey(data: string): string {
  const [key = ''] = readFileSync(join(data, 'machine-key'), 'utf8').split('\n');
  return key;
}

function ended(child: ChildProcess): Promise<void> {
  return new Promise((resolve) => {
    if (child.exitCode !== null || child.signalCode !== null) return resolve();
    child.once('exit', () => resolve());
    // One that was silenced would not hear it.
    child.kill('SIGCONT');
    child.kill('SIGTERM');
  });
}

export async function shot(page: Page, name: string): Promise<void> {
  if (SHOTS !== undefined) await page.screenshot({ path: join(SHOTS, `${name}.png`) });
}

/** No rule of WCAG 2.2 A and AA is broken, in light and in dark, and at 200 % nothing has to be scrolled sideways. */
export async function sound(page: Page, state: string): Promise<void> {
  for (const theme of ['dark', 'light'] as const) {
    await page.evaluate((theme) => (document.documentElement.dataset['theme'] = theme), theme);
    expect(await violations(page), `${state}, ${theme}`).toEqual([]);
    await shot(page, `${state}-${theme}`);
  }
  const size = page.viewportSize();
  const metrics = await page.context().newCDPSession(page);
  await metrics.send('Emulation.setDeviceMetricsOverride', ZOOMED);
  await page.waitForFunction((width) => innerWidth === width, ZOOMED.width);
  const wide = await page.evaluate(() => {
    const scrolls = document.scrollingElement;
    if (scrolls === null || scrolls.scrollWidth <= innerWidth) return [];
    const out = [...document.querySelectorAll('body *')].filter((one) => one.getBoundingClientRect().right > innerWidth + 0.5);
    return out.map((one) => `${one.tagName} ${one.className} "${one.textContent.slice(0, 40)}"`);
  });
  expect(wide, `${state} at 200 %`).toEqual([]);
  // A screenshot of the page itself would put the size back first.
  if (SHOTS !== undefined) writeFileSync(join(SHOTS, `${state}-200.png`), Buffer.from((await metrics.send('Page.captureScreenshot')).data, 'base64'));
  expect(await page.evaluate(() => [innerWidth, devicePixelRatio]), `${state} was at 200 %`).toEqual([ZOOMED.width, ZOOMED.deviceScaleFactor]);
  await metrics.send('Emulation.clearDeviceMetricsOverride');
  await metrics.detach();
  if (size === null) return;
  // A size that it takes itself to have already it would not set.
  await page.setViewportSize({ ...size, height: size.height + 1 });
  await page.setViewportSize(size);
  await page.waitForFunction(({ width, height }) => innerWidth === width && innerHeight === height, size);
}

/** What can be pressed and is less than 44 px wide or high; of a box its label counts, too. */
export function tooSmall(page: Page): Promise<string[]> {
  return page.evaluate(() =>
    [...document.querySelectorAll('button, a[href], input, select, textarea, summary')].flatMap((one) => {
      const boxes = [one, one.closest('label')].flatMap((part) => part?.getBoundingClientRect() ?? []);
      const [width, height] = [Math.max(...boxes.map((box) => box.width)), Math.max(...boxes.map((box) => box.height))];
      const isShown = one.checkVisibility({ visibilityProperty: true });
      return isShown && (width < 43.5 || height < 43.5) ? [`${one.tagName} ${one.textContent.trim().slice(0, 30)} ${Math.round(width)}x${Math.round(height)}`] : [];
    }),
  );
}

/** How much higher the page is than the window. */
export function overhang(page: Page): Promise<number> {
  return page.evaluate(() => (document.scrollingElement?.scrollHeight ?? Infinity) - innerHeight);
}

export type StepName = 'roster' | 'pieces' | 'targets' | 'calls' | 'share';

/** The line that a step of preparing is folded to. */
export function stepOf(page: Page, name: StepName): Locator {
  return page.locator('h2 button', { has: page.locator(`#${name}`) });
}

export async function openStep(page: Page, name: StepName): Promise<void> {
  const step = stepOf(page, name);
  await step.waitFor();
  // What is due opens by itself, maybe just when it is pressed.
  const opened = async (): Promise<string | null> => {
    if ((await step.getAttribute('aria-expanded')) !== 'true') await step.click();
    return step.getAttribute('aria-expanded');
  };
  await expect.poll(opened).toBe('true');
}

export async function setPiece(page: Page, piece: string, sheet = ''): Promise<void> {
  await openStep(page, 'pieces');
  await page.getByLabel('What is rowed').fill(piece);
  await page.getByLabel('Countdown, s').fill('5');
  if (sheet !== '') {
    await page.getByText('Call sheet and clock').click();
    await page.getByLabel('Call sheet, one call a line').fill(sheet);
  }
  await page.getByRole('button', { name: 'Set the pieces' }).click();
  // What is done folds to its line.
  await expect.poll(() => stepOf(page, 'pieces').getAttribute('aria-expanded')).toBe('false');
}

/** What calls did lies behind one line. */
export async function openEffects(page: Page): Promise<void> {
  const line = page.getByRole('button', { name: /^After each call/ });
  if ((await line.getAttribute('aria-expanded')) !== 'true') await line.click();
  await page.locator('.effects').waitFor();
}

/** Whoever asks for these names of the roster is let in, one press each. */
export async function letIn(page: Page, names: readonly string[]): Promise<void> {
  for (const name of names) await page.getByRole('button', { name: `Let in ${name}`, exact: true }).click();
  await page.getByRole('heading', { name: 'Asking to be let in' }).waitFor({ state: 'detached' });
}

/** From the page before the start into the piece. */
export async function start(page: Page, ready: string): Promise<void> {
  await page.getByRole('button', { name: 'Piece', exact: true }).click();
  await page.getByText(ready).waitFor();
  await page.getByRole('button', { name: 'Sit ready' }).click();
  await page.getByRole('button', { name: /^Start/ }).focus();
  await hold(page, 'Space');
  await page.locator('.small').getByText('Rowing').waitFor();
}

export async function hold(page: Page, key: string): Promise<void> {
  await page.keyboard.down(key);
  await page.waitForTimeout(1_250);
  await page.keyboard.up(key);
}

export async function codeOn(page: Page): Promise<string> {
  const code = await page.locator('header strong').innerText();
  expect(code).toMatch(/^[A-Z]{4} [A-Z]{4}$/);
  return code;
}
