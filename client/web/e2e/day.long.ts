// How the board stands a long day: thirty athletes row, its heap is measured and each update is counted.
// Ten minutes at ten times real time; THOLE_DAY_MINUTES=60 THOLE_DAY_SPEED=1 npm run day for an hour in real time.
import type { Browser, CDPSession, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { Hall, athletes } from './hall';
import { launch, open } from './stage';

const MINUTES = Number(process.env['THOLE_DAY_MINUTES'] ?? 10);
/** Times as fast as real time. */
const SPEED = Number(process.env['THOLE_DAY_SPEED'] ?? 10);
const ATHLETES = 30;
/** Code that is compiled and caches that are filled, once; then nothing may grow. */
const WARM_MINUTES = Math.min(2, MINUTES / 5);
/** More than a measurement differs from the next, less than any leak of a day. */
const GROWTH_MAX_KB = 300;

let browser: Browser;
let hall: Hall;

beforeAll(async () => {
  browser = await launch();
  // Pieces of 36 minutes, so many that they are not over before the time is.
  const each = (MINUTES * SPEED * 60) / 2_160;
  hall = await Hall.open({
    title: 'All day',
    piece: `${Math.ceil(each) + 1}x36min/1:00`,
    speed: SPEED,
    athletes: athletes(ATHLETES, 500, (nth) => 106 + 2 * nth, ['Heron', 'Otter', 'Dipper', 'Wren', 'Tern']).map((one) => ({ ...one, target: `${one.target}/500m` })),
  });
}, 60_000);

afterAll(async () => {
  await browser?.close();
  await hall?.close();
});

/** What the page has heard and what it has drawn, by the instant of the standings. */
async function watched(page: Page): Promise<void> {
  await page.addInitScript(() => {
    const heard: number[] = [];
    const drawn = new Set<number>();
    const Plain = WebSocket;
    class Listened extends Plain {
      constructor(address: string | URL) {
        super(address);
        this.addEventListener('message', ({ data }) => {
          const found = /^\{"type":"standings".*?"at_ms":(\d+)/.exec(String(data)) ?? [];
          // The empty standings of before the piece, at 0, are no update.
          if (found[1] !== undefined && found[1] !== '0') heard.push(Number(found[1]));
        });
      }
    }
    Object.defineProperty(window, 'WebSocket', { value: Listened });
    Object.defineProperty(window, 'updates', { value: () => ({ heard, missed: heard.slice(0, -1).filter((at) => !drawn.has(at)) }) });
    new MutationObserver(() => {
      const at = document.querySelector<HTMLElement>('.field')?.dataset['at'];
      if (at !== undefined) drawn.add(Number(at));
    }).observe(document, { subtree: true, childList: true, attributes: true, attributeFilter: ['data-at'] });
  });
}

interface Measured {
  readonly heapKb: number;
  readonly nodes: number;
  readonly listeners: number;
}

async function measured(cdp: CDPSession): Promise<Measured> {
  await cdp.send('HeapProfiler.collectGarbage');
  await cdp.send('HeapProfiler.collectGarbage');
  const { metrics } = await cdp.send('Performance.getMetrics');
  const of = (name: string) => metrics.find((metric) => metric.name === name)?.value ?? Number.NaN;
  return { heapKb: Math.round(of('JSHeapUsedSize') / 1_000), nodes: of('Nodes'), listeners: of('JSEventListeners') };
}

test(`${MINUTES} minutes with ${ATHLETES} athletes: nothing grows, no update is left out`, async () => {
  const { page, wrong } = await open(browser, 'about:blank', { width: 1920, height: 1080 });
  await watched(page);
  await page.goto(hall.board);
  hall.sit();
  await page.getByText(`${ATHLETES} machines linked`).waitFor({ timeout: 60_000 });
  hall.say('arm');
  hall.say('start');
  await page.locator('.field svg').first().waitFor({ timeout: 60_000 });
  const cdp = await page.context().newCDPSession(page);
  await cdp.send('Performance.enable');
  const all: Measured[] = [];
  const calls = setInterval(() => hall.say('call Sit tall for 10 strokes'), 20_000);
  for (let tenth = 0; tenth <= MINUTES * 10; tenth += 1) {
    // Always in the same page of the four and the teams: the heap holds what is drawn.
    await page.waitForTimeout(6_000);
    const now = await measured(cdp);
    if (tenth >= WARM_MINUTES * 10) all.push(now);
    if (tenth % 10 === 0) console.log(`${tenth / 10} min`, now);
  }
  clearInterval(calls);
  const third = Math.floor(all.length / 3);
  const mean = (of: keyof Measured, part: readonly Measured[]) => part.reduce((sum, one) => sum + one[of], 0) / part.length;
  const growth = (of: keyof Measured) => mean(of, all.slice(-third)) - mean(of, all.slice(0, third));
  const updates = await page.evaluate<{ heard: number[]; missed: number[] }>('updates()');
  const gaps = updates.heard.slice(1).map((at, nth) => at - (updates.heard[nth] ?? at));
  console.log({ heapKb: growth('heapKb'), nodes: growth('nodes'), listeners: growth('listeners') });
  console.log({ heard: updates.heard.length, missed: updates.missed.length, longestGapMs: Math.max(...gaps) });
  // Of its own counters the test keeps sixteen bytes an update, or so.
  expect(growth('heapKb')).toBeLessThan(GROWTH_MAX_KB);
  expect(growth('nodes')).toBeLessThan(200);
  expect(growth('listeners')).toBeLessThan(20);
  expect(updates.missed).toEqual([]);
  expect(updates.heard.length).toBeGreaterThan(MINUTES * 60 * SPEED * 0.9);
  expect(wrong).toEqual([]);
}, (MINUTES + 3) * 60_000);
