// What happens to an athlete beside the rowing itself: a plan, a strap, calls aloud, a screen that stays on, a false
// start, a coach who stops, the next piece.
import type { Page } from 'playwright-core';
import { expect, test } from 'vitest';
import { BLUETOOTH_ARGS, startBluez } from './ble/bluez';
import { chooser } from './ble/chooser';
import { PATIENCE, PHONE, Rowed, face, inOrder, joined, launched, left, opened, toStop, until } from './seated';
import { open, type Opened } from './stage';

/** Everything that the page has sent, message by message. */
function sent(page: Page): { type: string; [field: string]: unknown }[] {
  const all: { type: string; [field: string]: unknown }[] = [];
  page.on('websocket', (socket) => socket.on('framesent', ({ payload }) => all.push(JSON.parse(String(payload)))));
  return all;
}

/** A page in which this has run before everything else. */
async function prepared(address: string, script: string, name: string): Promise<Opened & { sent: ReturnType<typeof sent> }> {
  const shown = await open(await launched(), 'about:blank', PHONE);
  await shown.page.addInitScript(script);
  const said = sent(shown.page);
  await shown.page.goto(address);
  await shown.page.getByLabel('Your name').fill(name);
  await shown.page.getByRole('button', { name: 'Join' }).click();
  await shown.page.getByRole('button', { name: 'I have read this' }).click();
  return { ...shown, sent: said };
}

/** A demo rower sits down and has shown that it rows. */
async function seated(page: Page): Promise<void> {
  await page.getByRole('button', { name: 'demo rower' }).click();
  await page.getByText('You are ready.').waitFor(PATIENCE);
}

test('a plan is chosen by thumb or by keys, the usual one is chosen before, and the coach’s own stays on offer', async () => {
  const hall = await opened({
    title: 'Evening at the mill',
    piece: '850m',
    speed: 1,
    athletes: [{ name: 'Bo Ek', target: '4:00' }, { name: 'Ida Ross', target: '4:20', plan: '300m@2:30+550m@2:35' }],
  });
  const browser = await launched();
  const { page, wrong } = await joined(browser, hall.join, 'Bo Ek');
  const plans = page.getByRole('group', { name: 'How do you want to row it?' });
  expect(await plans.getByRole('radio', { name: 'Even' }).isChecked()).toBe(true);
  expect(await plans.innerText()).toContain('The usual choice');
  expect(await plans.getByRole('radio').count()).toBe(3);
  await plans.getByRole('radio', { name: 'Faster finish' }).check();
  // It is the server that says so: loaded anew, the page knows it from there.
  await page.reload();
  await until(() => plans.getByRole('radio', { name: 'Faster finish' }).isChecked(), 'the plan to be known');
  await plans.getByRole('radio', { name: 'Faster finish' }).focus();
  await page.keyboard.press('ArrowUp');
  await page.reload();
  await until(() => plans.getByRole('radio', { name: 'Fast start' }).isChecked(), 'the plan chosen by keys to be known');
  // The target has stayed what it was.
  await page.getByText('4:00.0').waitFor();
  await inOrder(page, 'plan');
  expect(wrong).toEqual([]);

  const { page: other } = await joined(await launched(), hall.join, 'Ida Ross');
  const hers = other.getByRole('group', { name: 'How do you want to row it?' });
  expect(await hers.getByRole('radio', { name: 'As your coach planned it' }).isChecked()).toBe(true);
  await hers.getByRole('radio', { name: 'Even' }).check();
  await until(() => hers.getByRole('radio', { name: 'Even' }).isChecked(), 'the even plan');
  await hers.getByRole('radio', { name: 'As your coach planned it' }).check();
  await other.reload();
  await until(() => hers.getByRole('radio', { name: 'As your coach planned it' }).isChecked(), 'the coach’s plan to be back');
});

test('a strap: nothing of it leaves the device before consent, then to the server alone, and nothing after', { timeout: 90_000 }, async () => {
  const radio = await startBluez([{ key: 'row7', name: 'Row 7', kind: 'rower' }, { key: 'belt', name: 'Belt 3', kind: 'strap' }]);
  toStop.push(() => radio.stop());
  const hall = await opened({ title: 'Evening at the mill', piece: '850m', speed: 1, athletes: [{ name: 'Bo Ek', target: '4:00' }] });
  const browser = await launched(BLUETOOTH_ARGS, radio.env);
  const board = await open(browser, hall.board, { width: 1280, height: 720 });
  const boardHeard: string[] = [];
  board.page.on('websocket', (socket) => socket.on('framereceived', ({ payload }) => void boardHeard.push(String(payload))));
  await board.page.reload();
  const { page, wrong } = await open(browser, 'about:blank', PHONE);
  const said = sent(page);
  await page.goto(hall.join);
  await page.getByLabel('Your name').fill('Bo Ek');
  await page.getByRole('button', { name: 'Join' }).click();
  await page.getByRole('button', { name: 'I have read this' }).click();
  await chooser(await page.context().newCDPSession(page), { does: 'pick', device: 'Belt 3' });
  const beats = () => said.filter(({ type }) => type === 'heart_rate');
  expect(await page.getByRole('button', { name: 'Link a strap' }).count()).toBe(0);
  await page.getByLabel('Pass my heart rate on.').check();
  await page.getByRole('button', { name: 'Link a strap' }).click();
  await page.getByText('Belt 3 is linked').waitFor(PATIENCE);
  // 139 beats a minute, in contact with the skin (Heart Rate Service 1.0, section 3.1.1).
  await until(async () => {
    await radio.notify('belt', '16 8b bf03');
    await page.waitForTimeout(300);
    return beats().length > 1;
  }, 'heart rate to go out');
  expect(JSON.stringify(beats()[0])).toContain('"heart_bpm":139');
  // Only the coach reads it: neither the athlete's own page nor the board has the number.
  expect(await page.locator('main').innerText()).not.toContain('139');
  // Under whatever name, but for instants, which may begin with these digits or be them.
  const told = (text: string) => text.includes('"heart_bpm"') || /"(?!\w*_ms")\w+":139\b/.test(text);
  expect(told('{"pulse":139}') && !told('{"at_ms":1393}') && !told('{"at_ms":139}')).toBe(true);
  expect(boardHeard.filter(told)).toEqual([]);
  expect(boardHeard.length).toBeGreaterThan(0);
  await inOrder(page, 'strap');
  await page.getByLabel('Pass my heart rate on.').uncheck();
  await page.getByRole('button', { name: 'Unlink it' }).waitFor({ state: 'detached' });
  const before = beats().length;
  await radio.notify('belt', '16 8c bf03');
  await page.waitForTimeout(500);
  expect(beats().length).toBe(before);
  expect(said.filter(({ type }) => type === 'consent').map(({ heart_rate }) => heart_rate)).toEqual([true, false]);
  expect(wrong).toEqual([]);
});

const SPEECH = `
  window.spoken = [];
  Object.defineProperty(window, 'speechSynthesis', { value: {
    speak: ({ text }) => window.spoken.push(text), cancel: () => undefined, getVoices: () => [], addEventListener: () => undefined,
  } });
  window.SpeechSynthesisUtterance = class { constructor(text) { this.text = text; } };
`;

test('calls are spoken once to those who asked for it, not by default, and not to somebody who has stopped', { timeout: 120_000 }, async () => {
  const hall = await opened({ title: 'Evening at the mill', piece: '1350m', speed: 5, athletes: [{ name: 'Ana Quill', target: '6:00' }, { name: 'Bo Ek', target: '6:10' }] });
  const home = await prepared(hall.join, SPEECH, 'Ana Quill');
  const inHall = await prepared(hall.join, SPEECH, 'Bo Ek');
  const spoken = (page: Page) => page.evaluate<string[]>('window.spoken');
  expect(await home.page.getByLabel('Speak the calls.').isChecked()).toBe(false);
  await home.page.getByLabel('Speak the calls.').check();
  // In answer to the tap, which lets the browser speak from now on.
  expect(await spoken(home.page)).toEqual(['Calls will be spoken.']);
  for (const { page } of [home, inHall]) await seated(page);
  hall.say('arm');
  hall.say('start');
  for (const { page } of [home, inHall]) {
    await face(page, 'rowing');
    await until(async () => (await left(page)) < 1_300, 'the demo rower to row');
  }
  hall.say('call Long and loose for 6 strokes --spoken "Long strokes, loose hands."');
  for (const { page } of [home, inHall]) {
    await page.getByRole('heading', { name: 'Long and loose' }).waitFor(PATIENCE);
    await page.getByText('done', { exact: true }).waitFor(PATIENCE);
  }
  expect(await spoken(home.page)).toEqual(['Calls will be spoken.', 'Long strokes, loose hands.']);
  expect(await spoken(inHall.page)).toEqual([]);

  await home.page.getByRole('button', { name: 'Stop' }).click();
  await face(home.page, 'stopped');
  hall.say('call Legs first for 6 strokes --spoken "Legs first."');
  await inHall.page.getByRole('heading', { name: 'Legs first' }).waitFor(PATIENCE);
  await home.page.waitForTimeout(500);
  expect(await home.page.locator('body').innerText()).not.toContain('Legs first');
  expect(await spoken(home.page)).toHaveLength(2);
  for (const { wrong } of [home, inHall]) expect(wrong).toEqual([]);
});

const WAKE = `
  window.locks = { asked: 0, held: 0 };
  Object.defineProperty(navigator, 'wakeLock', { value: { request: async () => {
    window.locks.asked += 1;
    window.locks.held += 1;
    const lock = new EventTarget();
    lock.release = async () => {
      window.locks.held -= 1;
      lock.dispatchEvent(new Event('release'));
    };
    window.lock = lock;
    return lock;
  } } });
  let seen = 'visible';
  Object.defineProperty(document, 'visibilityState', { get: () => seen });
  // As a browser does when the page is hidden: the lock goes first (Screen Wake Lock, section 6.3).
  window.see = async (state) => {
    seen = state;
    if (state === 'hidden') await window.lock.release();
    document.dispatchEvent(new Event('visibilitychange'));
  };
`;

test('the screen is kept on from the tap that joins, again whenever the page is seen, and let go with the seat', async () => {
  const hall = await opened({ title: 'Evening at the mill', piece: '850m', speed: 1, athletes: [{ name: 'Bo Ek', target: '4:00' }] });
  const { page, wrong } = await prepared(hall.join, WAKE, 'Bo Ek');
  const locks = () => page.evaluate<{ asked: number; held: number }>('window.locks');
  await until(async () => (await locks()).held === 1, 'the screen to be kept on');
  const { asked } = await locks();
  expect(asked).toBe(1);
  await page.evaluate(`window.see('hidden')`);
  expect(await locks()).toEqual({ asked: 1, held: 0 });
  await page.evaluate(`window.see('visible')`);
  await until(async () => (await locks()).held === 1, 'the screen to be kept on again');
  expect((await locks()).asked).toBe(2);
  await page.getByRole('button', { name: 'Leave this seat' }).click();
  await until(async () => (await locks()).held === 0, 'the screen to be let go');
  await page.evaluate(`window.see('visible')`);
  expect(await locks()).toEqual({ asked: 2, held: 0 });
  expect(wrong).toEqual([]);
});

test('a false start calls back in words, the next start counts, and a coach who stops says let go', { timeout: 120_000 }, async () => {
  // The count is long: it is looked at in every size.
  const hall = await opened({ title: 'Evening at the mill', piece: '850m', speed: 5, athletes: [{ name: 'Bo Ek', target: '4:00' }], create: ['--count', '1:00'] });
  const { page, wrong } = await joined(await launched(), hall.join, 'Bo Ek');
  await seated(page);
  hall.say('arm');
  await page.getByText('the count may come at any moment').waitFor(PATIENCE);
  hall.say('start');
  await face(page, 'rowing');
  await until(async () => (await left(page)) < 840, 'the demo rower to row');
  hall.say('false-start');
  await page.getByText('Called back. Everybody starts again together.').waitFor(PATIENCE);
  await inOrder(page, 'false-start');
  hall.say('start');
  await face(page, 'counting');
  await inOrder(page, 'counting');
  await face(page, 'rowing');
  // From the beginning again: what was rowed in the first try does not count.
  await until(async () => (await left(page)) > 800, 'the whole piece to be left');
  await until(async () => (await left(page)) < 780, 'the demo rower to row');
  hall.say('stop');
  await page.getByRole('heading', { name: 'Your coach stopped the piece when you had rowed' }).waitFor(PATIENCE);
  await inOrder(page, 'stopped-by-coach');
  const said = await page.locator('main').innerText();
  expect(said).toContain('kept');
  expect(said).not.toMatch(/come on|keep going|only \d|almost|don't give up|try/i);
  expect(wrong).toEqual([]);
});

test('the next piece after a piece: ready again with the same machine, and its own target', { timeout: 120_000 }, async () => {
  const hall = await opened({ title: 'Evening at the mill', piece: '170m', speed: 5, athletes: [{ name: 'Bo Ek', target: '' }], create: ['--piece', '230m'] });
  const { page, wrong } = await joined(await launched(), hall.join, 'Bo Ek');
  await page.getByLabel('In what time do you want to finish?').fill('50s');
  await page.keyboard.press('Enter');
  await page.getByText('0:50.0').waitFor(PATIENCE);
  await seated(page);
  hall.say('arm');
  hall.say('start');
  await page.getByRole('heading', { name: 'You finished in' }).waitFor(PATIENCE);
  const first = await page.locator('main').innerText();
  // A demo rower rows what its target takes: 0:50 for 170 m, but for the moment in which it sees the go.
  expect(Math.abs(Number(/0:(\d\d\.\d)/.exec(first)?.[1]) - 50)).toBeLessThan(2.5);
  hall.say('close');
  await page.getByText('Next comes 230m.').waitFor(PATIENCE);
  hall.say('next-piece');
  // Nothing has to be pressed: the page goes on with the coach, and still tells what came of the piece before.
  await face(page, 'prepare');
  await page.getByText(/Last piece: You finished in 0:[45]\d\.\d, \d\.\d s (ahead of|behind) your target\./).waitFor();
  await page.getByText('230m').first().waitFor();
  await page.getByText('Still to do: set your target').waitFor(PATIENCE);
  await page.getByText('would be about as hard').waitFor();
  await inOrder(page, 'next-piece');
  await page.getByRole('button', { name: /^Take \d/ }).click();
  await page.getByText('You are ready.').waitFor(PATIENCE);
  hall.say('arm');
  hall.say('start');
  await face(page, 'counting');
  await face(page, 'rowing');
  expect(await left(page)).toBeGreaterThan(180);
  await page.getByRole('heading', { name: 'You finished in' }).waitFor(PATIENCE);
  const second = await page.locator('main').innerText();
  expect(first).toMatch(/Rowed\s*170m/);
  expect(second).toMatch(/Rowed\s*230m/);
  expect(wrong).toEqual([]);
});

test('every face of a piece holds at every size: on its way, with a call, without its machine, without the server', { timeout: 150_000 }, async () => {
  const SPEED = 2;
  const radio = await startBluez([{ key: 'row7', name: 'Row 7', kind: 'rower' }]);
  toStop.push(() => radio.stop());
  const hall = await opened({ title: 'Evening at the mill', piece: '11min', speed: SPEED, athletes: [{ name: 'Wilhelmina Vantongeren-Bellweather', target: '2900m' }] });
  const { page } = await joined(await launched(BLUETOOTH_ARGS, radio.env), hall.join, 'Wilhelmina Vantongeren-Bellweather');
  await chooser(await page.context().newCDPSession(page), { does: 'pick', device: 'Row 7' });
  const machine = new Rowed(radio, SPEED);
  toStop.push(() => machine.stop());
  await page.getByRole('button', { name: 'Link the machine' }).click();
  machine.row();
  await page.getByText('Your strokes are coming through.').waitFor(PATIENCE);
  hall.say('arm');
  hall.say('start');
  await face(page, 'rowing');
  await inOrder(page, 'rowing-first');
  await page.locator('.number', { hasText: /\d+m$/ }).or(page.locator('.even')).waitFor(PATIENCE);
  await inOrder(page, 'rowing-metres');
  // However long the name, all of it is there, and the target beside it.
  expect(await page.locator('main header').evaluate((header) => header.scrollWidth <= header.clientWidth)).toBe(true);
  expect(await page.locator('main header span').first().evaluate((name) => getComputedStyle(name).overflow)).toBe('visible');
  expect(await page.locator('main header').innerText()).toMatch(/^Wilhelmina Vantongeren-Bellweather\s+target 2900m$/);
  hall.say('call Strong and steady');
  await page.getByRole('heading', { name: 'Strong and steady' }).waitFor(PATIENCE);
  // Pace, rate and what is left stand above it.
  expect(await page.locator('main dl').innerText()).toMatch(/^pace\s+\d:\d\d\s+rate\s+\d+\s+left\s+[\d:]+( m)?$/);
  // 16' of arc at 1 m on a phone of this size.
  expect(await page.locator('main dl dd').evaluateAll((all) => all.map((one) => parseFloat(getComputedStyle(one).fontSize)))).toEqual([42, 42, 42]);
  await inOrder(page, 'call');
  await radio.refuseConnects('row7', 1_000);
  await radio.drop('row7');
  await page.getByText('link lost, reconnecting').waitFor(PATIENCE);
  await inOrder(page, 'call-unlinked');
  await hall.killServer();
  await page.getByText('offline').waitFor(PATIENCE);
  await inOrder(page, 'call-unlinked-offline');
});
