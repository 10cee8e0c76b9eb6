// How the page of whoever rows looks in every size and both themes, told by a server that is made up.
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import type { Myself } from '../src/protocol/club';
import { rowed } from '../src/pages/club/faked';
import { faults, launch, violations } from './stage';
import { site } from './told';

const PHONE = { width: 390, height: 844 };
const SIZES = [PHONE, { width: 360, height: 640 }, { width: 1280, height: 800 }, { width: 1024, height: 768 }, { width: 1920, height: 1080 }];
const SHOTS = process.env['THOLE_SHOTS'];
const NOW = Date.UTC(2026, 10, 27, 18, 30);
const ANA: Myself = { role: 'person', person: { person: 'p-1', called: 'Ana Lima', born_year: null, hall_name: null, merged_into: null }, coach: null, club: 'Weir House Rowing', zone: 'Europe/Berlin' };
const RESULTS = Array.from({ length: 14 }, (_, nth) => rowed(14 - nth, { target: { want: 'finish', finish_ms: 395_000 }, margin: { margin_ppm: 12_000 - nth * 2_500, margin_ms: 4_700 - nth * 1_000, margin_dm: null } }));
const KEYS = [
  { key: 'k-1', device: 'Chrome, Android', from_unix_ms: NOW - 9 * 86_400_000, last_unix_ms: NOW, is_card: false, until_unix_ms: null, made_by: 'Ines Kovář', is_this: true },
  { key: 'k-2', device: 'The old phone', from_unix_ms: NOW - 90 * 86_400_000, last_unix_ms: null, is_card: false, until_unix_ms: null, made_by: 'Ines Kovář', is_this: false },
];

const LOOKS = [{ at_unix_ms: NOW - 3_600_000, who: 'Ines Kovář', what: 'export of results', of_everybody: true }];

/** What it answers; a card works once. */
async function tell(page: Page): Promise<{ readonly asked: string[] }> {
  const asked: string[] = [];
  await page.route('**/api/club/**', async (route) => {
    const request = route.request();
    const path = new URL(request.url()).pathname.replace('/api/club', '');
    asked.push(`${request.method()} ${path} ${request.headers()['authorization'] ?? ''}`);
    const answers: Readonly<Record<string, unknown>> = {
      '/me': ANA,
      '/me/results': { results: RESULTS, next: null },
      '/me/keys': { keys: KEYS },
      '/me/looks': { looks: LOOKS },
      '/me/notes': { notes: [{ note: 'n-1', about: { person: 'p-1' }, words: 'Long and quiet. Keep that.', readers: 'person', by: 'Ines Kovář', said_unix_ms: NOW }] },
      '/me/attendance': { sessions: [{ session: 's-1', day: '2026-11-20', title: '', state: 'came', source: 'rowed' }, { session: 's-2', day: '2026-11-18', title: '', state: 'late', source: 'rowed' }] },
      '/me/data': { person: ANA.person, results: RESULTS },
      '/card': { secret: 'own-key', key: 'k-1', person: ANA.person },
    };
    const isKnown = path in answers && (path === '/card') === (request.headers()['authorization'] === 'Bearer the-card');
    if (!isKnown) return route.fulfill({ status: 401, contentType: 'application/problem+json', body: '{"detail":"This card was used."}' });
    return route.fulfill({ status: 200, contentType: 'application/json', body: JSON.stringify(answers[path]) });
  });
  return { asked };
}

let browser: Browser;
let pages: Awaited<ReturnType<typeof site>>;

beforeAll(async () => {
  browser = await launch();
  pages = await site();
}, 120_000);

afterAll(async () => {
  await browser?.close();
  await pages?.close();
});

async function look(page: Page, name: string): Promise<void> {
  await page.evaluate(() => document.fonts.ready.then(() => undefined));
  for (const size of SIZES) {
    await page.setViewportSize(size);
    for (const theme of ['dark', 'light']) {
      await page.evaluate((theme) => (document.documentElement.dataset['theme'] = theme), theme);
      if (SHOTS !== undefined) await page.screenshot({ path: `${SHOTS}/me-${name}-${size.width}-${theme}.png`, fullPage: true });
      if (size.width === PHONE.width || size.width === 1280) expect.soft(await violations(page), `${name}, ${size.width}, ${theme}`).toEqual([]);
    }
    expect.soft(await faults(page), `${name}, ${size.width}`).toEqual([]);
  }
}

test('a card is used on a press and never by itself; then the device comes in with a key of its own', async () => {
  const page = await browser.newPage({ viewport: PHONE, reducedMotion: 'reduce' });
  const { asked } = await tell(page);
  await page.goto(`${pages.origin}/me/#the-card`);
  await page.getByRole('button', { name: 'Use it on this device' }).waitFor();
  expect(new URL(page.url()).hash).toBe('');
  expect(asked).toEqual([]);
  await look(page, 'card');
  await page.getByRole('button', { name: 'Use it on this device' }).click();
  await page.locator('svg circle').first().waitFor();
  expect(asked[0]).toBe('POST /card Bearer the-card');
  expect(asked).toContain('GET /me Bearer own-key');
  await look(page, 'mine');
  await page.getByText('Ines Kovář saved the table of all results, yours among it.').waitFor();
  const saved = page.waitForEvent('download');
  await page.getByRole('button', { name: 'Save everything' }).click();
  expect((await saved).suggestedFilename()).toBe('my-rowing.json');
  expect(asked).toContain('GET /me/data Bearer own-key');
  await page.reload();
  await page.getByRole('heading', { level: 1, name: 'Ana Lima' }).waitFor();
  await page.getByRole('button', { name: 'This device is not mine' }).click();
  await page.getByText('belongs to nobody yet').waitFor();
  await look(page, 'nobody');
  await page.close();
}, 180_000);

test('a device that was ended says so and shows nothing', async () => {
  const page = await browser.newPage({ viewport: PHONE });
  await page.addInitScript(() => localStorage.setItem('thole person key', 'ended'));
  await page.route('**/api/club/**', (route) => route.fulfill({ status: 401, contentType: 'application/problem+json', body: '{"detail":"no"}' }));
  await page.goto(`${pages.origin}/me/`);
  await page.getByRole('alert').getByText('This device was ended').waitFor();
  expect(await page.locator('table, svg circle').count()).toBe(0);
  await page.close();
});
