// The driver on a Bluetooth of its own: real events, no radio, and time that moves when told to.
import { expect, test } from 'vitest';
import { athlete, athletePrepare } from '#texts';
import { demo } from './demo';
import { writePart } from './ftms';
import { absence, linking, whyNotOpened, type Bluetooth, type Device, type HeardSample, type Surroundings } from './radio';
import { words } from './words';

/** A machine that answers as it is told to. */
class Machine extends EventTarget implements Device {
  readonly name = 'Row 7';
  refusals = 0;
  mode: 'answers' | 'refuses' | 'bike' | 'hangs' = 'answers';
  connected = false;
  connects = 0;
  data = Object.assign(new EventTarget(), { value: new DataView(new ArrayBuffer(0)) });

  readonly gatt = Object.defineProperties(
    {
      connected: false,
      connect: async () => {
        this.connects += 1;
        if (this.mode === 'hangs') await new Promise(() => {});
        if (this.refusals-- > 0) throw new DOMException('out of range', 'NetworkError');
        this.connected = true;
        return this.gatt;
      },
      disconnect: () => this.drop(),
      getPrimaryService: async () => {
        if (this.mode === 'bike') throw new DOMException('none', 'NotFoundError');
        return {
          getCharacteristic: async () => {
            this.data = Object.assign(new EventTarget(), { value: new DataView(new ArrayBuffer(0)) });
            const { data } = this;
            const startNotifications = async () => {
              if (this.mode === 'refuses') throw new DOMException('no', 'NotSupportedError');
              return subscribed;
            };
            const subscribed = Object.assign(data, { startNotifications });
            return subscribed;
          },
        };
      },
    },
    { connected: { get: () => this.connected } },
  );

  row(distance_m: number): void {
    this.data.value = new DataView(writePart({ distance_m }).buffer);
    this.data.dispatchEvent(new Event('characteristicvaluechanged'));
  }

  drop(): void {
    if (!this.connected) return;
    this.connected = false;
    this.dispatchEvent(new Event('gattserverdisconnected'));
  }
}

/** Everything around a link, with time in our own hands. */
function gym(machine: Machine, bluetooth?: Partial<Bluetooth>) {
  let now = 0;
  let timers: { at: number; what: () => void }[] = [];
  const samples: HeardSample[] = [];
  const shown: string[] = [];
  const clock = { ahead: 1_000_000 as number | null };
  const around: Surroundings = {
    bluetooth: { getAvailability: async () => true, requestDevice: async () => machine, ...bluetooth },
    secure: true,
    now: () => now,
    later: (ms, what) => {
      const timer = { at: now + ms, what };
      timers.push(timer);
      return () => void (timers = timers.filter((one) => one !== timer));
    },
    onSession: (ms) => (clock.ahead === null ? null : ms + clock.ahead),
    changed: (state) => shown.push(words(state).short),
    sample: (sample) => samples.push(sample),
    beat: () => {},
  };
  const settle = async () => {
    for (let turn = 0; turn < 30; turn += 1) await Promise.resolve();
  };
  const pass = async (ms: number) => {
    const until = now + ms;
    for (;;) {
      await settle();
      const due = timers.filter(({ at }) => at <= until).sort((a, b) => a.at - b.at)[0];
      if (due === undefined) break;
      timers = timers.filter((one) => one !== due);
      now = Math.max(now, due.at);
      due.what();
    }
    now = until;
  };
  return { around, samples, shown, pass, settle, clock, waiting: () => timers.length };
}

test('notifications before and after a drop are one recording on the session’s clock', async () => {
  const machine = new Machine();
  const { around, samples, shown, pass } = gym(machine);
  const link = linking('rower', around);
  link.ask();
  await pass(300);
  machine.row(0);
  await pass(700);
  machine.row(4);
  machine.refusals = 2;
  machine.drop();
  await pass(2_000);
  machine.row(13);
  expect(samples).toEqual([
    { heard_ms: 1_000_300, distance_dm: 0, rate_half_spm: 0, strokes: 0 },
    { heard_ms: 1_001_000, distance_dm: 40, rate_half_spm: 0, strokes: 0 },
    { heard_ms: 1_003_000, distance_dm: 130, rate_half_spm: 0, strokes: 0 },
  ]);
  expect(machine.connects).toBe(4);
  expect(shown.filter((words, nth) => words !== shown[nth - 1])).toEqual(
    ['choosing', 'linking', 'linked, no data yet', 'linked', 'link lost, reconnecting', 'linked'],
  );
});

test('what is heard before the session’s clock is known is stamped when it was heard', async () => {
  const machine = new Machine();
  const { around, samples, pass, clock } = gym(machine);
  clock.ahead = null;
  linking('rower', around).ask();
  await pass(100);
  machine.row(2);
  await pass(400);
  machine.row(5);
  expect(samples).toEqual([]);
  clock.ahead = 5_000;
  await pass(1_000);
  expect(samples.slice(0, 2).map(({ heard_ms, distance_dm }) => [heard_ms, distance_dm])).toEqual([[5_100, 20], [5_500, 50]]);
});

test('a silent machine has a baseline once a second', async () => {
  const machine = new Machine();
  const { around, samples, pass } = gym(machine);
  linking('rower', around).ask();
  await pass(100);
  machine.row(31);
  await pass(3_000);
  expect(samples.map(({ distance_dm }) => distance_dm)).toEqual([310, 310, 310, 310]);
});

test.each([
  ['refuses', 'the machine said no'],
  ['bike', 'not a rower'],
] as const)('a machine that %s: %s', async (mode, short) => {
  const machine = new Machine();
  machine.mode = mode;
  const { around, shown, pass, waiting } = gym(machine);
  linking('rower', around).ask();
  await pass(60_000);
  expect([shown.at(-1), machine.connected, waiting()]).toEqual([short, false, 0]);
});

test('a try that never ends is given up, three times, and then it is said', async () => {
  const machine = new Machine();
  machine.mode = 'hangs';
  const { around, shown, pass } = gym(machine);
  linking('rower', around).ask();
  await pass(31_000);
  expect([shown.at(-1), machine.connects]).toEqual(['no answer', 3]);
});

test.each([
  ['NotFoundError', true, 'no machine yet'],
  ['NotFoundError', false, 'Bluetooth is off'],
  ['SecurityError', true, 'Bluetooth not allowed'],
] as const)('no choice (%s, adapter %s): %s', async (name, available, short) => {
  const requestDevice = () => Promise.reject(new DOMException('said by the browser', name));
  const { around, shown, pass } = gym(new Machine(), { requestDevice, getAvailability: async () => available });
  linking('rower', around).ask();
  await pass(10);
  expect(shown).toEqual(['choosing', short]);
});

test('let go, it leaves nothing behind that ticks', async () => {
  const machine = new Machine();
  const { around, pass, waiting, shown } = gym(machine);
  const link = linking('rower', around);
  link.ask();
  await pass(100);
  link.release();
  await pass(20_000);
  expect([machine.connected, waiting(), machine.connects, shown.at(-1)]).toEqual([false, 0, 1, 'no machine yet']);
});

test('pages that can have no link say why, and the ways that are left', () => {
  const { around } = gym(new Machine());
  expect(absence({ bluetooth: around.bluetooth, secure: false })).toBe('insecure');
  expect(absence({ bluetooth: undefined, secure: true })).toBe('no_web_bluetooth');
  const none = words(linking('rower', { ...around, bluetooth: undefined }).state());
  expect(none.says).toContain('Chrome');
  expect(none.ways).toEqual(['bridge', 'demo']);
});

test('only a link that was refused is called refused', () => {
  expect(whyNotOpened('subscribe', 'NotSupportedError')).toBe('refused');
  expect(whyNotOpened('subscribe', 'NetworkError')).toBe('no_answer');
  expect(whyNotOpened('find', 'SecurityError')).toBe('refused');
  expect(whyNotOpened('connect', 'NotSupportedError')).toBe('no_answer');
});

test('the demo rower is marked, sits still until told, and rows its pace', async () => {
  const { around, samples, pass } = gym(new Machine());
  const demoRower = demo(around, { per_500m_ms: 125_000, rate_half_spm: 50, seed: 9 });
  await pass(3_000);
  expect(samples.map(({ distance_dm }) => distance_dm)).toEqual([0, 0, 0, 0]);
  demoRower.row(true);
  await pass(100_000);
  expect(Math.abs((samples.at(-1)?.distance_dm ?? 0) - 4_000)).toBeLessThan(60);
  expect(samples.at(-1)?.strokes).toBe(41);
  demoRower.leave();
  await pass(5_000);
  expect(samples.length).toBe(104);
  for (const mark of [athlete.demoMachine, athletePrepare.demo]) expect(mark.toLowerCase()).toContain('demo');
});
