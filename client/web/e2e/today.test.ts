// The box that says 'ready' has three ways: as usual, easy today, not today.
import { expect, test } from 'vitest';
import { LAPTOP } from './coaching';
import { face, inOrder, joined, launched, opened, PATIENCE } from './seated';
import { open } from './stage';

test('who takes it easy rows without a target or a place, who does not row today keeps nobody waiting, and the coach reads both', { timeout: 180_000 }, async () => {
  const hall = await opened({
    title: 'Evening at the mill',
    piece: '600m',
    speed: 4,
    athletes: [
      { name: 'Ana Quill', target: '2:40' },
      { name: 'Bo Ek', target: '2:20', row: ['--seed', '3', '--pace', '1:55'] },
      { name: 'Cy Marsh', target: '2:20' },
    ],
  });
  hall.sit();
  const browser = await launched();
  const cy = await joined(browser, hall.join, 'Cy Marsh');
  await cy.page.getByLabel('Not today').check();
  await cy.page.getByText('Nobody waits for you').waitFor(PATIENCE);
  await inOrder(cy.page, 'not-today');
  const { page, wrong } = await joined(browser, hall.join, 'Ana Quill');
  await page.getByRole('button', { name: 'demo rower' }).click();
  await page.getByText('You are ready.').waitFor(PATIENCE);
  await page.getByLabel('Easy today').check();
  await page.getByText('You are ready, easy today.').waitFor(PATIENCE);
  expect(await page.locator('main').innerText()).not.toContain('Your target');
  await inOrder(page, 'easy');
  const coach = await open(browser, hall.coach, LAPTOP);
  await coach.page.getByText('easy today, demo rower').waitFor(PATIENCE);
  await coach.page.getByText('not today', { exact: true }).waitFor(PATIENCE);
  expect(await coach.page.getByRole('region', { name: 'Not ready' }).innerText()).not.toContain('Cy Marsh');
  hall.say('arm');
  await page.getByText('You are ready, easy today.').waitFor(PATIENCE);
  hall.say('start');
  await face(page, 'rowing');
  expect(await page.locator('main').innerText()).not.toContain('for target');
  // Whoever sits out still reads what they can choose.
  await cy.page.getByText('Nobody waits for you').waitFor(PATIENCE);
  await coach.page.getByText('easy today').waitFor(PATIENCE);
  expect(await coach.page.locator('main').innerText()).not.toContain('Cy Marsh');
  // Whoever takes it easy takes their time.
  await page.locator('main[data-face="result"]').waitFor({ timeout: 120_000 });
  await page.getByText('You rowed out of competition').waitFor(PATIENCE);
  expect([...wrong, ...cy.wrong, ...coach.wrong]).toEqual([]);
});
