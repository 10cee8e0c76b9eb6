// Takes the pictures of the README, from the pages as this build has them: an invented class rows 1700 m in front of the
// real server, as fast as real time, and all three pages are seen at the same moment of it. Takes about three minutes:
//
//     cargo build --release -p thole-server -p thole && npm run pictures
import { mkdirSync, writeFileSync } from 'node:fs';
import type { Page } from 'playwright-core';
import { expect, test } from 'vitest';
import { Hall, type Athlete } from './hall';
import { FOLDER, PAGES, THEMES, fileOf, type Page as PageName } from './pictures';
import { launch, open } from './stage';

const OWN: Athlete = { name: 'Ana Quill', team: 'Heron', target: '2:18/500m' };
/** Invented, from the quickest on: name, team, target, and the pace that they row. */
const CLASS: readonly (readonly [string, string, string, string, ...string[]])[] = [
  ['Juno Marsh', 'Heron', '5:58', '1:44.6'],
  ['Pavel Orr', 'Otter', '6:20', '1:52.4'],
  ['Ife Calder', 'Heron', '6:31', '1:53.1', '--fade', '9'],
  ['Tam Lindqvist', 'Otter', '6:44', '2:00.3'],
  ['Rosa Whin', 'Heron', '6:52', '2:00.2'],
  ['Dov Brandt', 'Otter', '7:05', '2:04.9'],
  ['Mika Aro', 'Heron', '7:20', '2:07.8'],
  ['Cass Holloway', 'Otter', '7:31', '2:12.0', '--stop-at', '0.25'],
  ['Nell Fairlie', 'Heron', '7:48', '2:19.1'],
  ['Hugh Tarn', 'Otter', '8:10', '2:24.3'],
  ['Bibi Okonjo', 'Heron', '8:36', '2:31.0'],
];
/** What is known by then says something, and the quickest are not home yet. */
const SHARE_PERMILLE = 330;
const PATIENCE = { timeout: 60_000 };

test('pictures', async () => {
  const browser = await launch();
  const hall = await Hall.open({
    title: 'Wednesday at Lantern Quay',
    piece: '1700m',
    speed: 1,
    athletes: [
      ...CLASS.map(([name, team, target, pace, ...more], nth): Athlete => ({ name, team, target, row: ['--seed', String(nth + 1), '--pace', pace, ...more] })),
      OWN,
    ],
  });
  try {
    const [coach, board, athlete] = [await open(browser, hall.coach, PAGES.coach), await open(browser, hall.board, PAGES.board), await open(browser, hall.join, PAGES.athlete)];
    const pages: Readonly<Record<PageName, Page>> = { coach: coach.page, board: board.page, athlete: athlete.page };

    await athlete.page.getByLabel('Your name').fill(OWN.name);
    await athlete.page.getByRole('button', { name: 'Join' }).click();
    await athlete.page.getByRole('button', { name: 'I have read this' }).click(PATIENCE);
    await athlete.page.getByRole('button', { name: 'demo rower' }).click();
    hall.sit();
    await board.page.waitForFunction((all) => document.querySelectorAll('li.linked').length === all, CLASS.length + 1, PATIENCE);
    hall.say('arm');
    hall.say('start');
    await coach.page.getByRole('button', { name: 'Take command' }).click(PATIENCE);
    await coach.page.locator('.list .place').first().waitFor(PATIENCE);

    // The middle of the field, by what the page says of it to those who do not see it.
    const rowed = async (): Promise<number> => Number(/(\d+)%/.exec(await coach.page.getByRole('img', { name: 'The middle of the field' }).getAttribute('aria-label') ?? '')?.[1] ?? 0) * 10;
    await expect.poll(rowed, { timeout: 300_000, interval: 1_000 }).toBeGreaterThanOrEqual(SHARE_PERMILLE);
    await coach.page.keyboard.press('KeyW');
    await coach.page.keyboard.press('Space');
    for (const page of [board.page, athlete.page, coach.page.locator('.calls')]) await page.getByText('Long reach').first().waitFor(PATIENCE);
    // Some strokes of it are done.
    await athlete.page.waitForTimeout(7_000);

    mkdirSync(FOLDER, { recursive: true });
    for (const theme of THEMES) {
      for (const name of Object.keys(PAGES) as PageName[]) {
        const page = pages[name];
        await page.evaluate((theme) => (document.documentElement.dataset['theme'] = theme), theme);
        const cdp = await page.context().newCDPSession(page);
        const { data } = await cdp.send('Page.captureScreenshot', { format: 'webp', quality: 88 });
        writeFileSync(`${FOLDER}${fileOf(name, theme)}`, Buffer.from(data, 'base64'));
      }
    }
    for (const { wrong } of [coach, board, athlete]) expect(wrong).toEqual([]);
  } finally {
    await hall.close();
    await browser.close();
  }
}, 600_000);
