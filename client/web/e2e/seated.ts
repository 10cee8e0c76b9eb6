// An athlete before the page, in a real browser: opens a hall, joins, rows a machine on the radio, and looks whether
// what is shown is in order at every size.
import { chromium, type Browser, type Page } from 'playwright-core';
import { afterEach, expect } from 'vitest';
import { writePart } from '../src/machine/ftms';
import type { Bluez } from './ble/bluez';
import { Hall, type HallConfig } from './hall';
import { open, violations, type Opened } from './stage';

export const PHONE = { width: 390, height: 844 };
const SIZES = [PHONE, { width: 360, height: 640 }, { width: 844, height: 390 }, { width: 820, height: 1180 }, { width: 1180, height: 820 }];
/** The same at a zoom of 200 %: to the page, half as wide and half as high. */
const ZOOMED = SIZES.map(({ width, height }) => ({ width: width / 2, height: height / 2 }));
const ARGS = ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'];
const SHOTS = process.env['THOLE_SHOTS'];
export const PATIENCE = { timeout: 30_000 };

export const toStop: (() => Promise<unknown>)[] = [];
let last: Page | null = null;
afterEach(async ({ task }) => {
  if (SHOTS !== undefined && task.result?.state === 'fail') await last?.screenshot({ path: `${SHOTS}/failed-${task.name.slice(0, 20)}.png` });
  last = null;
  for (const stop of toStop.splice(0).reverse()) await stop();
});

export async function opened(config: HallConfig): Promise<Hall> {
  const hall = await Hall.open(config);
  toStop.push(() => hall.close());
  return hall;
}

export async function launched(args: readonly string[] = [], env?: Record<string, string>): Promise<Browser> {
  const browser = await chromium.launch({
    executablePath: process.env['CHROMIUM'] ?? '/usr/bin/chromium',
    args: [...ARGS, ...args],
    ...(env === undefined ? {} : { env }),
  });
  toStop.push(() => browser.close());
  return browser;
}

/** Joins as this athlete of the roster, and accepts the cautions. */
export async function joined(browser: Browser, address: string, name: string): Promise<Opened> {
  const shown = await open(browser, address, PHONE);
  last = shown.page;
  await shown.page.getByLabel('Your name').fill(name);
  await shown.page.getByRole('button', { name: 'Join' }).click();
  await shown.page.getByRole('button', { name: 'I have read this' }).click();
  return shown;
}

export const face = (page: Page, is: string) => page.locator(`main[data-face="${is}"]`).waitFor(PATIENCE);

/** No rule of WCAG A and AA is broken, in light and dark; on no size does anything leave the screen sideways, nor a live face at all. */
export async function inOrder(page: Page, name: string): Promise<void> {
  for (const theme of ['light', 'dark']) {
    await page.evaluate((theme) => (document.documentElement.dataset['theme'] = theme), theme);
    expect(await violations(page), `${name}, ${theme}`).toEqual([]);
    for (const size of [...SIZES, ...ZOOMED]) {
      await page.setViewportSize(size);
      if (SHOTS !== undefined) await page.screenshot({ path: `${SHOTS}/athlete-${name}-${size.width}-${theme}.png` });
      const over = await page.evaluate(() => {
        const isLive = document.querySelector('main.live') !== null;
        const beyond = ({ right, bottom }: DOMRect) => right > innerWidth + 0.5 || (isLive && bottom > innerHeight + 0.5);
        const out = [...document.querySelectorAll('main *')].filter((element) => beyond(element.getBoundingClientRect()));
        return out.map((element) => `${element.tagName} ${element.className} "${element.textContent.slice(0, 40)}"`);
      });
      expect(over, `${name} at ${size.width}`).toEqual([]);
    }
  }
  await page.setViewportSize(PHONE);
}

/** Metres that the page says are left. */
export async function left(page: Page): Promise<number> {
  const text = await page.locator('main').innerText();
  return Number(/left\s*(\d+) m/.exec(text)?.[1] ?? Number.NaN);
}

export async function until(what: () => Promise<boolean> | boolean, why: string): Promise<void> {
  const began = performance.now();
  while (!(await what())) {
    if (performance.now() - began > PATIENCE.timeout) throw new Error(`waited in vain: ${why}`);
    await new Promise((resolve) => setTimeout(resolve, 50));
  }
}

/** A machine on the radio, rowed at one pace on the session's clock; every third record comes in two parts. */
export class Rowed {
  readonly #radio: Bluez;
  readonly #speed: number;
  #metres = 0;
  #since: number | null = null;
  #nth = 0;
  #over = false;
  readonly #done: Promise<void>;

  constructor(radio: Bluez, speed: number) {
    this.#radio = radio;
    this.#speed = speed;
    this.#done = this.#report();
  }

  get metres(): number {
    return this.#metres;
  }

  row(): void {
    this.#since ??= performance.now();
  }

  rest(): void {
    this.#since = null;
  }

  async stop(): Promise<void> {
    this.#over = true;
    await this.#done;
  }

  async #report(): Promise<void> {
    /** 4.1 m/s are 2:02 for 500 m; 9 m are a stroke. */
    const [METRES_A_SECOND, METRES_A_STROKE, EVERY_MS] = [4.1, 9, 150];
    while (!this.#over) {
      const now = performance.now();
      if (this.#since !== null) {
        this.#metres += ((now - this.#since) / 1_000) * this.#speed * METRES_A_SECOND;
        this.#since = now;
      }
      const [distance_m, strokes] = [Math.floor(this.#metres), Math.floor(this.#metres / METRES_A_STROKE)];
      const rate_half_spm = this.#since === null ? 0 : 55;
      this.#nth += 1;
      if (this.#nth % 3 === 0) {
        await this.#radio.notify('row7', writePart({ distance_m }, { more: true }));
        await this.#radio.notify('row7', writePart({ strokes, rate_half_spm }));
      } else {
        await this.#radio.notify('row7', writePart({ distance_m, strokes, rate_half_spm }));
      }
      await new Promise((resolve) => setTimeout(resolve, EVERY_MS));
    }
  }
}
