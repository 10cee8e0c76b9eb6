// A coach leads a session from an empty page to the results, with real athletes, in a real browser.
import { readFileSync } from 'node:fs';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { Coaching, LAPTOP, TABLET, codeOn, hold, letIn, openStep, overhang, setPiece, sound, stepOf } from './coaching';
import { open } from './stage';

/** Times faster than real time: a piece of 900 m takes about 20 s. */
const SPEED = 10;
const TEST_MS = 150_000;

let hall: Coaching;
beforeAll(async () => (hall = await Coaching.open(SPEED)));
afterAll(() => hall?.close());

test('from an empty page to the results, by keyboard where it matters', { timeout: TEST_MS }, async () => {
  const { page, wrong, asked } = await hall.made('Thursday at Lantern Quay');
  const secret = new URL(page.url()).hash.slice(1);
  expect(secret.length).toBeGreaterThan(20);

  // Prepare: who comes first, and each step that is done folds to its line.
  expect(await stepOf(page, 'roster').getAttribute('aria-expanded')).toBe('true');
  await setPiece(page, '900', '300m: Long reach for 10 strokes');
  await stepOf(page, 'pieces').getByText('900 m').waitFor();
  // Good lines are taken; the wrong ones stay, marked, with what was probably meant.
  const roster = page.getByLabel('Add athletes');
  await roster.fill('Oda Brandt, Heron, 3:24\nKit Moor, Otter, 3.51\nLena Aske, Heron\nSef Duric, Otter, 1:15');
  await page.getByText('Line 2: Kit Moor: "3.51" is not a target').waitFor();
  await page.getByText('Line 4: Sef Duric: 1:15 for all 900m would be 0:41.7 for 500 m, faster than anyone rows.').waitFor();
  expect(await page.locator('.marks i').evaluateAll((all) => all.map((one) => one.classList.contains('bad')))).toEqual([false, true, false, true]);
  await sound(page, 'prepare');
  await page.getByRole('button', { name: 'Add 2, keep 2 to fix' }).click();
  await page.getByRole('heading', { name: '2 on the roster' }).first().waitFor();
  await expect.poll(() => roster.inputValue()).toBe('Kit Moor, Otter, 3.51\nSef Duric, Otter, 1:15');
  await page.getByRole('button', { name: '3:51 for 900 m?' }).click();
  await roster.fill((await roster.inputValue()).replace('1:15', '4:10'));
  await page.getByRole('button', { name: 'Add 2', exact: true }).click();
  await expect.poll(() => stepOf(page, 'roster').innerText()).toMatch(/4 on the roster: Heron and Otter/);
  await expect.poll(() => stepOf(page, 'roster').getAttribute('aria-expanded')).toBe('false');
  // Then whose target is missing; and how they come in.
  await stepOf(page, 'targets').getByText('No target yet: Lena Aske').waitFor();
  await sound(page, 'prepare-targets');
  await openStep(page, 'share');
  expect(await page.getByRole('img', { name: 'QR code of the page to join' }).count()).toBe(1);
  expect(await page.getByRole('button', { name: 'the link of Sef Duric' }).count()).toBe(1);
  await sound(page, 'prepared');
  for (const step of ['share', 'targets'] as const) await stepOf(page, step).click();
  expect(await page.locator('h2 button[aria-expanded="true"]').count()).toBe(0);
  expect(await overhang(page)).toBeLessThanOrEqual(0);
  await sound(page, 'prepared-folded');

  // Nobody is here; then all but Lena have a target, and hers is set on her card.
  await page.getByRole('button', { name: 'Go to the start' }).click();
  await page.getByText('not here yet, no target: not ranked').waitFor();
  await sound(page, 'gathering');
  const code = await codeOn(page);
  const told = [hall.row(code, 'Oda Brandt', '3:24'), hall.row(code, 'Kit Moor', '3:51'), hall.row(code, 'Lena Aske', '4:02'), hall.row(code, 'Sef Duric', '4:10')];
  await letIn(page, ['Oda Brandt', 'Kit Moor', 'Lena Aske', 'Sef Duric']);
  await page.getByText('All four are ready.').waitFor();
  await page.getByRole('button', { name: 'Sit ready' }).click();
  await page.getByRole('button', { name: /^Start/ }).waitFor();
  await sound(page, 'armed');
  await page.getByRole('button', { name: /^Start/ }).focus();
  await hold(page, 'Space');
  await page.getByText('until the start').waitFor();

  // The count is stopped by Esc, and started again.
  await page.keyboard.press('Escape');
  await page.getByRole('button', { name: /^Start/ }).waitFor();
  await hold(page, 'Space');
  await page.locator('.small').getByText('Rowing').waitFor();
  expect(await page.getByRole('list', { name: 'The field' }).getByRole('listitem').count()).toBe(4);

  await page.getByText('Nobody needs a word now.').waitFor();

  // One key calls, Space sends it at once; the athletes are told.
  await page.keyboard.press('KeyW');
  await page.locator('.armed').getByText('Long reach').waitFor();
  await page.keyboard.press('Space');
  await page.locator('.running').getByText('Long reach').waitFor();
  await expect.poll(() => told.every((lines) => lines.some((line) => line.includes('Long reach'))), { timeout: 10_000 }).toBe(true);
  // Esc ends what stands; a key that is typed into a field calls nobody.
  await page.waitForTimeout(3_200);
  await page.keyboard.press('Escape');
  await page.locator('.block.none, .running').first().waitFor();
  await page.getByLabel('Own words for a call').fill('');
  await page.getByLabel('Own words for a call').press('KeyQ');
  expect(await page.locator('.armed').count()).toBe(0);
  await page.getByLabel('Own words for a call').fill('Easy hands for 8 strokes');
  await page.getByLabel('Own words for a call').press('Enter');
  await page.getByText('Easy hands').first().waitFor();
  await page.keyboard.press('Tab');
  await page.locator('[data-kind="name"]', { hasText: 'Oda Brandt' }).click();
  await page.getByRole('heading', { name: 'Oda Brandt' }).waitFor();
  await sound(page, 'rowing');
  await page.setViewportSize(TABLET);
  await sound(page, 'rowing-tablet');
  await page.setViewportSize(LAPTOP);

  // A reload in mid-piece comes back to the same desk.
  await page.reload();
  await page.getByRole('list', { name: 'The field' }).waitFor();

  // Results stand by themselves, and can be kept.
  await page.getByRole('heading', { name: 'Results' }).waitFor({ timeout: 60_000 });
  await page.locator('tbody tr').nth(3).waitFor();
  await sound(page, 'results');
  const [download] = await Promise.all([page.waitForEvent('download'), page.getByRole('button', { name: 'Save as a table' }).click()]);
  const table = readFileSync(await download.path(), 'utf8');
  expect(table).toMatch(/^\uFEFFrow,piece,title,work,/);
  expect(table.match(/\r\nathlete,/g)?.length).toBe(4);
  // Quarters of an athlete who finished.
  expect(table.match(/\r\nsplit,1,,900m,finished,/g)?.length).toBeGreaterThanOrEqual(4);
  expect(table).toMatch(/\r\nathlete,1,,900m,finished,[A-Z][a-z]+ [A-Z][a-z]+,(Heron|Otter),,1,finished,\d:\d\d\.\d,/);
  // What the page makes of the teams of an earlier piece is what the server has told of them.
  const teams = await page.locator('.teams').innerText();
  expect(teams).toMatch(/1 (Heron|Otter) [+−]?\d/);
  await page.getByRole('button', { name: 'Prepare another piece' }).click();
  await openStep(page, 'pieces');
  await page.getByLabel('What is rowed').fill('600m');
  await page.getByRole('button', { name: 'Set the pieces' }).click();
  await page.getByText('The piece is set.').waitFor();
  await page.getByRole('button', { name: 'Results', exact: true }).click();
  await page.getByRole('button', { name: 'On to the next piece: 600m' }).click();
  await page.getByRole('heading', { name: '600m', exact: true }).waitFor();
  await page.reload();
  await page.getByRole('button', { name: 'Results', exact: true }).click();
  await page.getByRole('button', { name: '1: 900m' }).click();
  await expect.poll(() => page.locator('.teams').innerText()).toBe(teams);
  await page.getByRole('button', { name: 'Close the session' }).focus();
  await hold(page, 'Space');
  await page.getByText('This session is closed.').waitFor();
  await sound(page, 'closed');
  expect(asked.filter((url) => url.split('#')[0]?.includes(secret))).toEqual([]);
  expect(wrong).toEqual([]);
  await page.close();
});

test('a second device watches, takes command, and the first one watches', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await hall.made('Two devices');
  await setPiece(page, '700m');
  const second = await open(hall.browser, page.url(), TABLET);
  await second.page.getByText('This device watches').waitFor();
  await openStep(second.page, 'pieces');
  expect(await second.page.getByRole('button', { name: 'Change the pieces' }).isDisabled()).toBe(true);
  await sound(second.page, 'watching');
  await second.page.getByRole('button', { name: 'Take command' }).click();
  await page.getByText('This device watches').waitFor();
  await second.page.getByText('This device watches').waitFor({ state: 'detached' });
  expect(await second.page.getByRole('button', { name: 'Change the pieces' }).isDisabled()).toBe(false);
  await second.page.close();
  expect([...wrong, ...second.wrong]).toEqual([]);
  await page.close();
});

test('a false start, a stop that is held, and the next piece', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await hall.made('False start');
  await setPiece(page, '2x700m/0:20');
  await openStep(page, 'pieces');
  await page.getByRole('button', { name: 'Another piece' }).click();
  await page.getByLabel('What is rowed').nth(1).fill('5min');
  await page.getByRole('button', { name: 'Change the pieces' }).click();
  hall.row(await codeOn(page), 'Ruben Tal', '5:40');
  await stepOf(page, 'roster').getByText('1 on the roster').waitFor();
  await page.getByRole('button', { name: 'Piece', exact: true }).click();
  await page.getByRole('button', { name: 'Sit ready' }).click();
  // A short press of the space bar presses what has the focus; held it starts, wherever that is, but where something is typed.
  await page.getByRole('button', { name: 'Not yet' }).focus();
  await page.keyboard.press('Space');
  await page.getByRole('button', { name: 'Sit ready' }).click();
  await page.getByRole('button', { name: /^Start/ }).waitFor();
  await page.evaluate(() => document.body.append(document.createElement('input')));
  await page.locator('body > input').focus();
  await hold(page, 'Space');
  expect(await page.getByRole('button', { name: /^Start/ }).count()).toBe(1);
  await page.locator('body > input').evaluate((input) => input.remove());
  await page.getByRole('button', { name: 'Not yet' }).focus();
  await hold(page, 'Space');
  await page.locator('.small').getByText('Rowing').waitFor();
  // Thirty seconds of the session are three here.
  await hold(page, 'Escape');
  await page.getByRole('button', { name: /^Start/ }).waitFor();
  await hold(page, 'Space');
  await page.locator('.small').getByText('Rowing').waitFor();
  // A call goes to who is rowing, and who is rowing has a place.
  await page.locator('.list .place').getByText('1', { exact: true }).waitFor();
  // Held it calls everybody back; tapped, Esc ends a call then too.
  await page.keyboard.press('KeyW');
  await page.keyboard.press('Space');
  await page.locator('.running').waitFor();
  await page.keyboard.press('Escape');
  await page.locator('.block.none').waitFor();
  expect(await page.locator('.small').getByText('Rowing').count()).toBe(1);
  await page.waitForTimeout(3_000);
  // Pressed and let go is nothing; held is a stop.
  const stop = page.getByRole('button', { name: 'Stop everyone' });
  await stop.focus();
  await page.keyboard.press('Space');
  expect(await stop.count()).toBe(1);
  await hold(page, 'Space');
  await page.getByRole('heading', { name: 'Results' }).waitFor();
  await page.getByText('Stopped by the coach').first().waitFor();
  await sound(page, 'stopped-by-coach');
  // However the results were come to, going on turns the page.
  await page.getByRole('button', { name: 'Results', exact: true }).click();
  await page.getByRole('button', { name: 'On to the next piece: 5min' }).click();
  await page.getByRole('heading', { name: '5min', exact: true }).waitFor();
  expect(wrong).toEqual([]);
  await page.close();
});

test('a device is told what to open, and makes sessions once it has the head coach\'s link', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await open(hall.browser, `${hall.base}/coach/`, LAPTOP);
  await page.getByText('open the head coach’s link on it once').waitFor();
  await sound(page, 'begin-without-key');
  const make = async (title: string): Promise<void> => {
    await page.getByLabel('Title').fill(title);
    await page.getByRole('button', { name: 'Make the session' }).click();
  };
  await make('Without a key');
  await page.getByRole('alert').getByText("Making a session takes the head coach's link").waitFor();
  await page.getByLabel('The coach’s link').fill(hall.headCoach);
  await page.getByRole('button', { name: 'Open', exact: true }).click();
  await make('With the key');
  await page.getByRole('heading', { name: 'With the key' }).waitFor();
  // The device remembers, and the address shows nothing of it.
  await page.goto(`${hall.base}/coach/`);
  await page.getByText('Make a new one').waitFor();
  expect(await page.getByText('open the head coach’s link on it once').count()).toBe(0);
  // From another page: a link that differs behind the # alone loads nothing anew.
  await page.goto('about:blank');
  await page.goto(hall.headCoach);
  await page.waitForURL(`${hall.base}/coach/`);
  expect(wrong).toEqual([]);
  await page.close();
});

test('a link that is not whole says so, and a page without one offers to make a session', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await open(hall.browser, `${hall.base}/coach/KAMURETA`, LAPTOP);
  await page.getByText('The link to KAMU RETA is incomplete').waitFor();
  await page.getByLabel('The coach’s link').fill(`${hall.base}/coach/KAMURETA`);
  await page.getByRole('button', { name: 'Open', exact: true }).click();
  await page.getByText('This is not the whole link').waitFor();
  await sound(page, 'begin');
  expect(wrong).toEqual([]);
  await page.close();
});
