// What a coach says reaches those whom it is for, and nobody else; it is there after a reload; and the keys
// that say it can be changed.
import { afterAll, beforeAll, expect, test } from 'vitest';
import { Coaching, LAPTOP, SMALL_LAPTOP, codeOn, hold, letIn, openEffects, openStep, overhang, setPiece, shot, sound, start } from './coaching';
import { demo, open } from './stage';

const SPEED = 10;
const TEST_MS = 150_000;
const SOON = { timeout: 10_000 };
/** As the page lays them on the pad by itself. */
const [SIT, REACH, LEGS, SLOW] = ['Sit tall', 'Long reach', 'Legs first', 'Slow forward'];

let hall: Coaching;
beforeAll(async () => (hall = await Coaching.open(SPEED)));
afterAll(() => hall?.close());

const has = (told: readonly string[], words: string) => told.some((line) => line.includes(words));

test('who falls behind has a card; its key picks them, and the call that it names reaches them alone', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await hall.made('Falling behind');
  await setPiece(page, '1700m');
  const code = await codeOn(page);
  // A quarter of the speed goes from 40 % of the piece on.
  const fades = ['Mirka Doyle', 'Tove Halm', 'Jorn Adair', 'Pia Castellane'];
  const told = new Map([...fades, 'Ansel Roe'].map((name, nth) => {
    const fade = name === 'Ansel Roe' ? [] : ['--fade', String(28 - nth)];
    return [name, hall.row(code, name, '7:06', ['--pace', '2:04.5', '--seed', String(nth + 3), ...fade])];
  }));
  await start(page, 'All five are ready.');
  const cards = page.locator('.needs li');
  await cards.filter({ hasText: 'fading' }).first().waitFor({ timeout: 60_000 });
  await expect.poll(() => cards.count(), { timeout: 30_000 }).toBeGreaterThanOrEqual(3);
  await sound(page, 'cards');
  expect(await overhang(page)).toBeLessThanOrEqual(0);
  const name = await cards.first().locator('strong').innerText();
  expect(fades).toContain(name);
  expect(await cards.first().locator('.hint').innerText()).toMatch(new RegExp(`^Could help:\\s*W\\s*${REACH}$`));
  await page.keyboard.press('Digit1');
  await page.getByRole('button', { name: '1 picked' }).waitFor();
  expect(await page.getByRole('button', { name: `Pick ${name} for the next call` }).getAttribute('aria-pressed')).toBe('true');
  await page.keyboard.press('KeyW');
  await page.keyboard.press('Space');
  await page.locator('.running').getByText(`to ${name}`).waitFor();
  await expect.poll(() => has(told.get(name) ?? [], REACH), SOON).toBe(true);
  // The card leaves: an answer takes its time.
  await cards.filter({ hasText: name }).waitFor({ state: 'detached' });
  // Whoever else is told something later had time to be told this.
  await page.keyboard.press('KeyR');
  await page.keyboard.press('KeyQ');
  await page.keyboard.press('Space');
  await expect.poll(() => [...told.values()].every((lines) => has(lines, SIT)), SOON).toBe(true);
  expect([...told].filter(([, lines]) => has(lines, REACH)).map(([who]) => who)).toEqual([name]);
  expect(wrong).toEqual([]);
  await page.close();
});

test('a roster from a table; calls to a team, to the picked, and to those behind', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await hall.made('Whom for');
  await setPiece(page, '1300m');
  // What is refused stays where it was typed, and says of whom it is.
  await openStep(page, 'roster');
  const typing = page.getByLabel('Add athletes');
  await typing.fill('Oda Brandt, Heron, 2:30');
  await page.getByRole('button', { name: 'Add 1' }).click();
  await page.getByText('Line 1: Oda Brandt: ').waitFor();
  await page.getByRole('button', { name: '2:30 for 500 m?' }).waitFor();
  expect(await typing.inputValue()).toBe('Oda Brandt, Heron, 2:30');
  await typing.fill('');
  const heading = 'Team;Past;Name;Target;Heart limit;Shoe size';
  const table = [heading, 'Heron;5:31@9d;"Brandt, Oda";5:26;;39', 'Otter;;Kit Moor;5:26;181;44', 'Otter;;Sef Duric;5:26;;', 'Heron;;Lena Aske;5:26;;', ';;Lena Asky;5:26;;', ''].join('\r\n');
  await page.getByLabel('Or load a table (CSV)').setInputFiles({ name: 'class.csv', mimeType: 'text/csv', buffer: Buffer.from(table) });
  await page.getByText('Not read: Shoe size.').waitFor();
  await page.getByRole('button', { name: 'Add 5' }).click();
  await page.getByRole('heading', { name: '5 on the roster' }).first().waitFor();
  await openStep(page, 'roster');
  // Somebody who stands there twice is taken off again, by keys.
  await page.getByRole('button', { name: /^Lena Asky/ }).click();
  await page.getByRole('button', { name: 'Take Lena Asky off the roster' }).focus();
  await sound(page, 'take-off');
  await page.getByRole('button', { name: 'Take Lena Asky off the roster' }).focus();
  await hold(page, 'Space');
  await page.getByRole('heading', { name: '4 on the roster' }).first().waitFor();
  await expect.poll(() => typing.inputValue()).toBe('');
  await page.getByRole('button', { name: /^Brandt, Oda/ }).click();
  expect(await page.getByLabel('Past results', { exact: true }).inputValue()).toBe('5:31.0@9d');
  await page.getByLabel('Past results', { exact: true }).fill('5:31@9d+5:40');
  await page.getByRole('button', { name: 'Save changes', exact: true }).click();
  await page.getByText('"5:40" is not a past result').waitFor();
  await page.getByRole('button', { name: /^Brandt, Oda/ }).click();

  const code = await codeOn(page);
  // 5:26 for 1300 m is 2:05.4 for 500 m: Lena alone is behind by more than anybody could doubt.
  const paces: readonly (readonly [string, string])[] = [['Brandt, Oda', '2:02'], ['Kit Moor', '2:02.5'], ['Sef Duric', '2:03'], ['Lena Aske', '2:12']];
  const told = new Map(paces.map(([name, pace], nth) => [name, hall.row(code, name, '5:26', ['--pace', pace, '--seed', String(nth + 1)])]));
  await letIn(page, paces.map(([name]) => name));
  // Kit has a limit and lends no heart rate: that is said, and hinders nothing.
  await start(page, 'heart limit 181, but no heart rate arrives');
  const who = (words: string) => [...told].filter(([, lines]) => has(lines, words)).map(([name]) => name);

  // Nobody who has not taken a stroke is called.
  await page.waitForTimeout(2_000);
  await page.getByRole('button', { name: 'Otter', exact: true }).click();
  await page.keyboard.press('KeyQ');
  await page.locator('.armed').waitFor();
  await page.locator('.armed').waitFor({ state: 'detached' });
  await page.locator('.running').waitFor();
  await shot(page, 'team-call');
  await expect.poll(() => who(SIT), SOON).toEqual(['Kit Moor', 'Sef Duric']);

  await page.getByRole('button', { name: 'Pick Brandt, Oda for the next call' }).click();
  await page.getByRole('button', { name: 'Pick Sef Duric for the next call' }).click();
  await page.getByRole('button', { name: '2 picked' }).waitFor();
  await page.keyboard.press('KeyE');
  await expect.poll(() => who(LEGS), SOON).toEqual(['Brandt, Oda', 'Sef Duric']);

  // The field itself says who is behind: all others are ahead, and clear of the line.
  const margin = (order: number) => page.locator(`[data-order="${order}"] .margin`).innerText();
  await expect.poll(async () => [await margin(2), await margin(3)].join(' '), { timeout: 20_000 }).toMatch(/^\+[1-9]\.\d −[3-9]/);
  await page.keyboard.press('KeyF');
  await page.keyboard.press('KeyS');
  await page.keyboard.press('Space');
  await expect.poll(() => who(SLOW), SOON).toEqual(['Lena Aske']);
  expect(who(SIT)).toEqual(['Kit Moor', 'Sef Duric']);
  expect(who(LEGS)).toEqual(['Brandt, Oda', 'Sef Duric']);
  expect(wrong).toEqual([]);
  await page.close();
});

test('after a reload both calls stand there, with the same figures', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await hall.made('Opened again');
  await setPiece(page, '1700m');
  const code = await codeOn(page);
  for (const [nth, name] of ['Ansel Roe', 'Mirka Doyle', 'Tove Halm'].entries()) hall.row(code, name, '7:06', ['--pace', '2:05', '--seed', String(nth + 1)]);
  await start(page, 'All three are ready.');
  // Half a minute of the session, so that there is something to compare with.
  await page.waitForTimeout(4_500);
  await page.keyboard.press('KeyW');
  await page.keyboard.press('Space');
  const effect = (words: string) => page.locator('.effects li').filter({ hasText: words });
  await page.locator('.running').getByText(REACH).waitFor();
  await page.locator('.block.none').waitFor({ timeout: 20_000 });
  await page.getByLabel('Own words for a call').fill('Chin level for 180 strokes');
  await page.getByLabel('Own words for a call').press('Enter');
  await page.locator('.running').getByText('Chin level').waitFor();
  await openEffects(page);
  // It is measured by the server, once the last stroke under it is in.
  await expect.poll(() => effect(REACH).innerText(), { timeout: 15_000 }).toMatch(/speed [+−]?\d+\.\d ± \d+\.\d %[\s\S]*\d of 3 faster than before/);
  const before = await effect(REACH).innerText();
  // A second device watches, and goes on watching: the one that led leads again when it is back.
  const second = await open(hall.browser, page.url(), LAPTOP);
  const take = (of: typeof page) => of.getByRole('button', { name: 'Take command' });
  await take(second.page).waitFor();
  await page.reload();
  await page.locator('.running').getByText('Chin level').waitFor();
  await openEffects(page);
  await expect.poll(() => effect(REACH).innerText()).toBe(before);
  await take(second.page).waitFor();
  expect(await take(page).count()).toBe(0);
  await second.page.close();
  expect(await effect('Chin level').locator('.standing').count()).toBe(1);
  expect(await effect(REACH).locator('.standing').count()).toBe(0);
  // The one that stands is measured all the same: three of three, from before the reload.
  await expect.poll(() => effect('Chin level').innerText(), { timeout: 15_000 }).toMatch(/of 3 faster/);
  expect(wrong).toEqual([]);
  await page.close();
});

test('while the server is away nothing is claimed, and a call that is pressed then says what becomes of it', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await hall.made('Server away');
  await setPiece(page, '1700m');
  const told = hall.row(await codeOn(page), 'Ruben Tal', '7:06');
  await start(page, 'The one athlete here is ready.');
  await page.locator('.list .place').getByText('1', { exact: true }).waitFor();
  hall.silence();
  await page.getByText('The server is out of reach.', { exact: true }).waitFor();
  await page.getByText('1 athlete when the server was last reached').waitFor();
  await page.getByText('it is not known whether a call is active').waitFor();
  expect(await page.getByText('all connected').count()).toBe(0);
  expect(await page.getByText('No call is active').count()).toBe(0);
  await page.keyboard.press('KeyQ');
  await page.keyboard.press('KeyW');
  await page.getByText(`‘${SIT}’ goes out when the server is back`).waitFor();
  await page.getByText(`‘${REACH}’ goes out when the server is back`).waitFor();
  await shot(page, 'calls-wait');
  // The newest of them is taken back by Esc: it never went out.
  await page.keyboard.press('Escape');
  await page.getByText(`‘${REACH}’ goes out`).waitFor({ state: 'detached' });
  hall.hearAgain();
  await page.getByText('The server is out of reach.', { exact: true }).waitFor({ state: 'detached' });
  await expect.poll(() => has(told, SIT), SOON).toBe(true);
  await page.locator('.running').getByText(SIT).waitFor();
  expect(has(told, REACH)).toBe(false);
  expect(wrong.filter((one) => !one.includes('WebSocket'))).toEqual([]);
  await page.close();
});

test('keys are changed, remembered, said when they clash, and switched off', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await hall.made('Other keys');
  await setPiece(page, '1700m');
  hall.row(await codeOn(page), 'Ruben Tal', '7:06');
  await start(page, 'The one athlete here is ready.');
  await page.getByRole('button', { name: 'Keys' }).click();
  await page.getByRole('heading', { name: 'Keys and colours' }).waitFor();
  await sound(page, 'keys');
  const key = (task: string) => page.getByRole('button', { name: new RegExp(`the key for ${task}`) });
  await key('the second call').click();
  await page.keyboard.press('KeyF');
  await page.getByText('F is already the key for calls to those behind.').waitFor();
  await key('the second call').click();
  await page.keyboard.press('Escape');
  await page.getByText('Nothing was changed.').waitFor();
  await key('the second call').click();
  await page.keyboard.press('KeyJ');
  await page.getByText('J is now the key for the second call.').waitFor();
  // While the keys are shown, none of them does anything else.
  await page.keyboard.press('KeyQ');
  await page.keyboard.press('Escape');
  await page.getByRole('heading', { name: 'Keys and colours' }).waitFor({ state: 'detached' });
  expect(await page.locator('.armed, .running').count()).toBe(0);
  await page.reload();
  await page.getByRole('list', { name: 'The field' }).waitFor();
  expect(await page.locator('.pad button').filter({ hasText: REACH }).innerText()).toContain('J');
  await page.keyboard.press('KeyW');
  await page.keyboard.press('KeyJ');
  await page.locator('.running').getByText(REACH).waitFor();
  await openEffects(page);
  expect(await page.locator('.effects li').count()).toBe(1);
  // Off: nothing on the page names a key, and none does anything; Esc still takes back.
  await page.getByRole('button', { name: 'Keys' }).click();
  await page.getByLabel('Single-key shortcuts').uncheck();
  await page.getByRole('button', { name: 'Close', exact: true }).click();
  expect(await page.locator('.pad kbd').count()).toBe(0);
  await page.keyboard.press('KeyQ');
  await page.waitForTimeout(600);
  expect(await page.locator('.effects li').count()).toBe(1);
  expect(wrong).toEqual([]);
  await page.close();
});

test('on a small laptop who needs a word, the call that stands, the whole pad and most of twelve are seen at once', { timeout: TEST_MS }, async () => {
  const shown = await demo(8);
  try {
    const { page, wrong } = await open(hall.browser, shown.coach, SMALL_LAPTOP);
    // The demo's own coach starts it.
    await page.locator('.small').getByText('Rowing').waitFor({ timeout: 60_000 });
    await page.getByRole('button', { name: 'Take command' }).click();
    await page.locator('.list .place').getByText('12', { exact: true }).waitFor({ timeout: 60_000 });
    await shot(page, 'small-laptop');
    const inside = (selector: string) =>
      page.locator(selector).last().evaluate((one) => {
        const { top, right, bottom, left } = one.getBoundingClientRect();
        return top >= 0 && left >= 0 && bottom <= innerHeight && right <= innerWidth;
      });
    for (const part of ['.clock', '#needs', '.calls .block', '.pad button', '.after']) expect(await inside(part), part).toBe(true);
    expect(await page.locator('.pad button').count()).toBe(9);
    // Nine rows of the list at the least, and nothing that is cut off for want of height.
    expect(await page.locator('.list').evaluate((list) => list.clientHeight / (list.querySelector('li')?.clientHeight ?? Infinity))).toBeGreaterThanOrEqual(9);
    for (const part of ['.top', '.needs', '.calls']) expect(await page.locator(part).evaluate((one) => one.scrollHeight - one.clientHeight), part).toBeLessThanOrEqual(1);
    expect(await overhang(page)).toBeLessThanOrEqual(0);
    expect(await page.locator('header').evaluate((one) => one.clientHeight)).toBeLessThanOrEqual(60);
    await sound(page, 'small-laptop');
    expect(wrong).toEqual([]);
  } finally {
    await shown.stop();
  }
});

test('a class of twelve with a detail open fits the window, and a rest says what comes', { timeout: TEST_MS }, async () => {
  const shown = await demo(8);
  try {
    const { page, wrong } = await open(hall.browser, shown.coach, LAPTOP);
    await page.locator('.small').getByText('Rowing').waitFor({ timeout: 60_000 });
    await page.locator('[data-kind="name"]').nth(4).click();
    await page.locator('.detail').waitFor();
    await page.locator('.detail .plan').waitFor({ state: 'attached' });
    expect(await page.locator('.detail small').first().innerText()).toMatch(/^plan \d:\d\d\.\d$/);
    expect(await overhang(page)).toBeLessThanOrEqual(0);
    await sound(page, 'detail');
    await expect.poll(() => page.locator('.small').innerText(), { timeout: 60_000 }).toMatch(/^rest left\nthen repeat \d of \d$/);
    expect(await overhang(page)).toBeLessThanOrEqual(0);
    await sound(page, 'rest');
    expect(wrong).toEqual([]);
  } finally {
    await shown.stop();
  }
});
