// Preparing: targets that go with their piece and are offered again, and everything large enough for a finger.
import { afterAll, beforeAll, expect, test } from 'vitest';
import { Coaching, LAPTOP, hold, openStep, setPiece, sound, stepOf, tooSmall } from './coaching';

const TEST_MS = 120_000;
const PHONE = { width: 390, height: 844 };

let hall: Coaching;
beforeAll(async () => (hall = await Coaching.open(1)));
afterAll(() => hall?.close());

test('targets of a piece that was replaced are offered again, and nothing is set unasked', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await hall.made('Targets at Mill Lock');
  await setPiece(page, '1700m');
  await openStep(page, 'roster');
  await page.getByLabel('Add athletes').fill('Ida Fenn, Heron, 5:06\nBo Quist, Otter, 1:52/500m');
  await page.getByRole('button', { name: 'Add 2' }).click();
  await stepOf(page, 'targets').getByText('Both have a target').waitFor();

  const change = async (piece: string): Promise<void> => {
    await openStep(page, 'pieces');
    await page.getByLabel('What is rowed').fill(piece);
    await page.getByRole('button', { name: 'Change the pieces' }).click();
    await expect.poll(() => stepOf(page, 'pieces').getAttribute('aria-expanded')).toBe('false');
  };
  // The pace fits any piece and is taken along by the server; the finish does not.
  await change('6x350/1:15');
  await stepOf(page, 'pieces').getByText('6 times 350 m, 1:15 rest: 2,100 m of work').waitFor();
  await stepOf(page, 'targets').getByText('No target yet: Ida Fenn').waitFor();
  await openStep(page, 'targets');
  await page.getByText('The pace of 1700m; not set yet.').waitFor();
  expect(await page.getByRole('textbox', { name: 'Ida Fenn' }).inputValue()).toBe('1:30.0/500m');
  await sound(page, 'targets-offered');
  await page.getByRole('textbox', { name: 'Ida Fenn' }).fill('3:05');
  await page.getByText('faster than anyone rows').waitFor();
  expect(await page.getByRole('button', { name: 'Set the targets' }).isDisabled()).toBe(true);
  await page.getByRole('button', { name: '3:05 for 500 m?' }).click();
  await page.getByRole('textbox', { name: 'Ida Fenn' }).fill('1:31/500m');
  await page.getByRole('button', { name: 'Set one target' }).click();
  await stepOf(page, 'targets').getByText('Both have a target').waitFor();
  await expect.poll(() => stepOf(page, 'targets').getAttribute('aria-expanded')).toBe('false');

  // Back to the first piece, after a reload, too: what was set for it stands there again.
  await page.reload();
  await page.getByRole('button', { name: 'Prepare', exact: true }).click();
  await change('1700m');
  await openStep(page, 'targets');
  // The server takes the pace along; the finish is kept.
  await expect.poll(() => page.getByRole('textbox', { name: 'Ida Fenn' }).inputValue()).toBe('1:31.0/500m');
  await page.getByRole('textbox', { name: 'Ida Fenn' }).fill('');
  await page.getByRole('button', { name: 'Set one target' }).click();
  await stepOf(page, 'targets').getByText('No target yet: Ida Fenn').waitFor();
  await openStep(page, 'targets');
  await page.getByText('As before; not set yet.').waitFor();
  expect(wrong).toEqual([]);
  await page.close();
});

test('a part of the page that cannot be loaded says so, and comes after all', { timeout: TEST_MS }, async () => {
  const { page } = await hall.made('Away for a moment');
  await page.route(/assets\/After-/, (route) => route.abort());
  await page.reload();
  await page.getByRole('button', { name: 'Results', exact: true }).click();
  await page.getByRole('alert').getByText('This part of the page could not be loaded.').waitFor();
  await sound(page, 'part-missing');
  await page.unroute(/assets\/After-/);
  await page.getByRole('button', { name: 'Load the page again' }).click();
  await page.getByRole('button', { name: 'Results', exact: true }).click();
  await page.getByRole('heading', { name: 'Results' }).waitFor();
  await page.close();
});

test('everything that is pressed is large enough, on a laptop and on a phone', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await hall.made('Large enough');
  await setPiece(page, '1700m');
  await openStep(page, 'roster');
  await page.getByLabel('Add athletes').fill('Ida Fenn, Heron, 5:06\nBo Quist, Otter');
  await page.getByRole('button', { name: 'Add 2' }).click();
  await stepOf(page, 'roster').getByText('2 on the roster').waitFor();
  for (const step of ['roster', 'pieces', 'targets', 'calls', 'share'] as const) await openStep(page, step);
  await page.getByText('Call sheet and clock').click();
  await page.getByRole('button', { name: /^Ida Fenn/ }).click();
  for (const size of [LAPTOP, PHONE]) {
    await page.setViewportSize(size);
    expect(await tooSmall(page), `${size.width}`).toEqual([]);
    expect(await page.evaluate(() => document.documentElement.scrollWidth - innerWidth), `${size.width}`).toBeLessThanOrEqual(0);
  }
  await sound(page, 'all-steps-open');
  await page.setViewportSize(LAPTOP);
  await page.getByRole('button', { name: 'Take Ida Fenn off the roster' }).focus();
  await hold(page, 'Space');
  await stepOf(page, 'roster').getByText('1 on the roster').waitFor();
  expect(wrong).toEqual([]);
  await page.close();
});
