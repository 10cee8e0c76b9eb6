// Who comes in, and by which link: what the code opens, the requests, links that are opened where the page is open
// already, and the coach's own link when it is renewed.
import type { Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { Coaching, LAPTOP, codeOn, openStep, setPiece, shot, sound, stepOf } from './coaching';
import { open } from './stage';

const TEST_MS = 120_000;

let hall: Coaching;
beforeAll(async () => (hall = await Coaching.open(1)));
afterAll(() => hall?.close());

/** These ask by the code, each on a connection of its own, from a phone's browser. */
async function ask(page: Page, code: string, names: readonly string[]): Promise<void> {
  await page.evaluate(
    ({ code, names }) => {
      for (const name of names) {
        const socket = new WebSocket(`${location.origin.replace('http', 'ws')}/ws`);
        const join = Array.from(crypto.getRandomValues(new Uint8Array(16)), (byte) => byte.toString(16).padStart(2, '0')).join('');
        const say = () => socket.readyState === WebSocket.OPEN && socket.send(JSON.stringify({ type: 'join', code, name, join, from: 'Android browser' }));
        socket.onopen = say;
        setInterval(say, 5_000);
      }
    },
    { code, names },
  );
}

const names = (count: number) => Array.from({ length: count }, (_, nth) => `${['Ida', 'Bo', 'Marek', 'Zsófia', 'Tomasina', 'Uwe'][nth % 6]} ${['Ross', 'Quillan', 'Vantongeren', 'Ito', 'Ek'][nth % 5]} ${nth + 1}`);

test('the coach says who comes in with the code, and lets in whoever asks', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await hall.made('Door at Mill Lock');
  await setPiece(page, '850m');
  const code = await codeOn(page);
  const door = page.getByRole('group', { name: 'Who comes in with the code' });
  await openStep(page, 'share');
  expect(await door.getByRole('radio', { checked: true }).count()).toBe(1);
  expect(await door.getByLabel('New names at once').isChecked()).toBe(true);
  await door.getByLabel('Nobody before you say so').check();
  const phone = await open(hall.browser, `${hall.base}/row/`, LAPTOP);
  const asking = page.getByRole('heading', { name: 'Asking to be let in' });
  for (const [had, count] of [[0, 1], [1, 12], [12, 60]] as const) {
    await ask(phone.page, code, names(count).slice(had));
    await expect.poll(() => page.getByRole('button', { name: /^Let in/ }).count(), { timeout: 20_000 }).toBe(count);
    await asking.waitFor();
    for (const [name, width, height] of [['phone', 390, 844], ['laptop', 1280, 800], ['large', 1920, 1080]] as const) {
      await page.setViewportSize({ width, height });
      await page.evaluate(() => scrollTo(0, 0));
      await shot(page, `asks-${count}-${name}`);
      // However many ask, what the coach works with stays on the screen.
      const top = await page.locator('main').evaluate((main) => main.getBoundingClientRect().top);
      expect(top, `${count} on ${name}`).toBeLessThan(height * 0.75);
    }
    await page.setViewportSize(LAPTOP);
    await sound(page, `asks-${count}`);
  }
  await page.getByRole('button', { name: /^Let in Ida Ross 1$/ }).click();
  await page.getByRole('button', { name: /^Not them.*Bo Quillan 2$/ }).click();
  await expect.poll(() => page.getByRole('button', { name: /^Let in/ }).count()).toBe(58);
  await phone.page.close();

  // Names of the roster are let in together, and nobody else with them.
  await door.getByLabel('New names at once').check();
  await openStep(page, 'roster');
  await page.getByLabel('Add athletes').fill('Ruben Tal\nLin Voss');
  await page.getByRole('button', { name: 'Add 2' }).click();
  await stepOf(page, 'roster').getByText('3 on the roster').waitFor();
  const rower = await open(hall.browser, `${hall.base}/row/${code.replace(' ', '')}`, LAPTOP);
  await rower.page.getByLabel('Your name').fill('Ruben Tal');
  await rower.page.getByRole('button', { name: 'Join' }).click();
  await rower.page.getByRole('heading', { name: 'Waiting for your coach' }).waitFor();
  const other = await open(hall.browser, `${hall.base}/row/`, LAPTOP);
  await ask(other.page, code, ['Lin Voss']);
  await page.getByRole('button', { name: 'Let in all 2 of your list' }).click();
  await rower.page.getByRole('button', { name: 'I have read this' }).waitFor();
  await expect.poll(() => page.getByRole('button', { name: /^Let in/ }).count()).toBe(58);
  await other.page.close();
  await page.reload();
  await page.getByRole('button', { name: 'Prepare', exact: true }).click();
  await openStep(page, 'share');
  expect(await door.getByLabel('New names at once').isChecked()).toBe(true);
  // A name that looks like one that is there: the Cyrillic letter a.
  await rower.page.goto(`${hall.base}/row/`);
  await ask(rower.page, code, ['Rubеn Tal']);
  await page.getByText(/looks like|letters from several scripts/).waitFor();
  await sound(page, 'looks-like');
  await page.getByRole('button', { name: 'Understood' }).click();
  expect([...wrong, ...rower.wrong]).toEqual([]);
  await rower.page.close();
  await page.close();
});

test('a link that is opened where the page is open already is taken, and the key leaves the address', { timeout: TEST_MS }, async () => {
  const { page, wrong } = await open(hall.browser, `${hall.base}/coach/`, LAPTOP);
  await page.getByText('open the head coach’s link').waitFor();
  await page.evaluate((link) => void location.assign(link), hall.headCoach);
  await page.getByText('This device can make sessions from now on.').waitFor();
  expect(page.url()).toBe(`${hall.base}/coach/`);
  await sound(page, 'key-taken');
  await page.getByLabel('Title').fill('Keys at Mill Lock');
  await page.getByRole('button', { name: 'Make the session' }).click();
  await page.getByRole('heading', { name: 'Keys at Mill Lock' }).waitFor();
  const secret = new URL(hall.headCoach).hash.slice(1);
  expect(await page.evaluate(() => performance.getEntriesByType('navigation').map(({ name }) => name).join())).not.toContain(secret);

  // The coach's own link is renewed: this page goes on, the other device is told why it is out.
  const old = page.url();
  const other = await hall.browser.newContext();
  const tablet = await other.newPage();
  await tablet.goto(old);
  await tablet.getByRole('heading', { name: 'Keys at Mill Lock' }).waitFor();
  await openStep(page, 'share');
  await page.getByRole('button', { name: 'New link for yourself' }).click();
  await page.getByText('You have a new link.').waitFor();
  const newer = page.url();
  expect(newer).not.toBe(old);
  await tablet.getByText('a newer one took its place').waitFor();
  await shot(tablet, 'coach-old-link');
  // A reload comes by the new one, and from then on this device, too, is not let in by the old.
  await page.reload();
  await page.getByRole('heading', { name: 'Keys at Mill Lock' }).waitFor();
  // The old one, in a tab where the page is open: why it opens nothing, and nothing that this device knows is forgotten.
  await page.evaluate((link) => void location.assign(link), old);
  await page.getByRole('heading', { name: 'This link opens nothing here' }).waitFor();
  await page.getByText('a newer one took its place').waitFor();
  await sound(page, 'coach-old-link-here');
  await page.getByRole('link', { name: 'Open that one' }).click();
  await page.getByRole('heading', { name: 'Keys at Mill Lock' }).waitFor();
  expect(page.url()).toBe(newer);

  // The gym TV and a phone.
  await openStep(page, 'share');
  const board = await page.locator('section[aria-labelledby="share"] .link').nth(1).innerText();
  const tv = await open(hall.browser, `${board.split('#')[0]}#nothing-that-opens`, LAPTOP);
  await tv.page.getByText('opens nothing here').first().waitFor();
  await tv.page.evaluate((link) => void location.assign(link), board);
  await tv.page.getByText('Keys at Mill Lock').first().waitFor();
  await openStep(page, 'roster');
  await page.getByLabel('Add athletes').fill('Ida Fenn\nBo Quist');
  await page.getByRole('button', { name: 'Add 2' }).click();
  await page.context().grantPermissions(['clipboard-read', 'clipboard-write']);
  const linkOf = async (name: string): Promise<string> => {
    await page.getByRole('button', { name: `Copy the link of ${name}` }).click();
    await page.getByText(`The link of ${name} is copied.`).waitFor();
    return page.evaluate(() => navigator.clipboard.readText());
  };
  const [ida, bo] = [await linkOf('Ida Fenn'), await linkOf('Bo Quist')];
  const phone = await open(hall.browser, ida, LAPTOP);
  await phone.page.getByRole('heading', { name: 'Ida Fenn' }).waitFor();
  await phone.page.evaluate((link) => void location.assign(link), bo);
  await phone.page.getByRole('heading', { name: 'Bo Quist' }).waitFor();
  expect([...wrong, ...phone.wrong]).toEqual([]);
  for (const one of [tv, phone]) await one.page.close();
  await other.close();
  await page.close();
});
