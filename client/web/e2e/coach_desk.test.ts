// The desk while a piece is rowed: what the hand and the eye know stays in its place, whatever is said or opened.
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { LAPTOP, SMALL_LAPTOP, openEffects, overhang, shot, sound, tooSmall } from './coaching';
import { demo, launch, open, violations, type Demo } from './stage';

const TEST_MS = 150_000;

let browser: Browser;
let shown: Demo;
beforeAll(async () => {
  browser = await launch();
  shown = await demo(6);
});
afterAll(async () => {
  await browser?.close();
  await shown?.stop();
});

/** Where each key of the pad is. */
const places = (page: Page) => page.locator('.pad button').evaluateAll((all) => all.map((one) => [one.getBoundingClientRect().x, one.getBoundingClientRect().y].map(Math.round).join()));

/** How many rows of the list are seen whole. */
const rowsSeen = (page: Page) =>
  page.locator('.list').evaluate((list) => {
    const { top, bottom } = list.getBoundingClientRect();
    return [...list.querySelectorAll('li')].filter((row) => row.getBoundingClientRect().top >= top - 1 && row.getBoundingClientRect().bottom <= bottom + 1).length;
  });

test('nine calls lie on the pad, and neither calls nor what is opened moves it or takes rows from the list', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await open(browser, shown.coach, LAPTOP);
  page.setDefaultTimeout(20_000);
  await page.locator('.small').getByText('Rowing').waitFor({ timeout: 90_000 });
  // Before anybody can be ranked, nobody is.
  await page.getByText('Settling').waitFor();
  expect(await page.locator('.list .place').allInnerTexts()).toEqual(Array.from({ length: 13 }, () => ''));
  expect(await page.locator('.list svg').count()).toBe(0);
  // What can be done changes with the first thirty seconds, and where that is shown does not.
  const small: (readonly string[])[] = [];
  const onSmall = async (): Promise<void> => {
    await page.setViewportSize(SMALL_LAPTOP);
    small.push(await places(page));
    await page.setViewportSize(LAPTOP);
  };
  await page.getByRole('button', { name: 'Take command' }).click();
  await page.getByRole('button', { name: 'Take command' }).waitFor({ state: 'detached' });
  await page.locator('.list .place').getByText('1', { exact: true }).first().waitFor();
  await onSmall();
  const before = await places(page);
  expect(before).toHaveLength(9);
  expect(await rowsSeen(page)).toBeGreaterThanOrEqual(11);
  const still = async (when: string): Promise<void> => {
    expect(await places(page), when).toEqual(before);
    expect(await rowsSeen(page), when).toBeGreaterThanOrEqual(11);
    expect(await overhang(page), when).toBeLessThanOrEqual(0);
  };

  await page.getByRole('button', { name: 'Heron', exact: true }).click();
  await page.getByLabel('Own words for a call').fill('Chin level for 90 strokes');
  await page.getByLabel('Own words for a call').press('Enter');
  await page.locator('.armed').waitFor();
  await still('a call waits');
  await page.locator('.running').getByText('Chin level').waitFor();
  await still('a call stands');
  await page.getByRole('button', { name: 'Otter', exact: true }).click();
  await page.getByLabel('Own words for a call').fill('Light hands for 90 strokes');
  await page.getByLabel('Own words for a call').press('Enter');
  await page.locator('.running').getByText('Light hands').waitFor();
  // The other one stands on, and both can be ended.
  await page.locator('.running').getByText('Chin level').waitFor();
  expect(await page.locator('.running').count()).toBeGreaterThanOrEqual(2);
  await still('two calls stand');
  expect(await tooSmall(page)).toEqual([]);
  expect(await violations(page)).toEqual([]);
  await shot(page, 'two-calls');
  await page.locator('.running').filter({ hasText: 'Chin level' }).getByRole('button').click();
  await page.locator('.running').getByText('Chin level').waitFor({ state: 'detached' });
  await page.locator('.running').getByText('Light hands').waitFor();
  await still('one of two was ended');
  await openEffects(page);
  await still('what calls did is open');
  await sound(page, 'effects-open');
  await page.locator('[data-order="0"] [data-kind="name"]').click();
  await page.locator('.detail').waitFor();
  await still('one athlete is open');
  await page.keyboard.press('Escape');

  // Numbers, places and order are of one instant.
  const rows = await page.locator('.list li').evaluateAll((all) =>
    all
      .map((row) => ({ order: Number(row.getAttribute('data-order')), place: row.querySelector('.place')?.textContent ?? '', margin: row.querySelector('.margin')?.textContent ?? '' }))
      .sort((a, b) => a.order - b.order)
      .filter(({ place }) => place !== ''),
  );
  const margins = rows.map(({ margin }) => Number(margin.replace('−', '-')));
  expect(margins).toEqual([...margins].sort((a, b) => b - a));
  expect(rows.map(({ place }) => Number(place))).toEqual(margins.map((margin) => margins.indexOf(margin) + 1));
  await page.getByRole('button', { name: 'False start' }).waitFor({ state: 'detached' });
  await onSmall();
  expect(small[1]).toEqual(small[0]);
  expect(wrong).toEqual([]);
  await page.close();
});
