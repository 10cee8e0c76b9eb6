// A Bluetooth daemon without a radio on a D-Bus of its own: Chromium and the native bridge find rowers
// there, and the notifications that they get are real ones. Nothing touches this computer's own bus.
//
//     const bluez = await startBluez([{ key: 'row7', name: 'Row 7', kind: 'rower' }]);
//     const browser = await chromium.launch({ …, args: BLUETOOTH_ARGS, env: bluez.env });
//     await bluez.notify('row7', writePart({ distance_m: 4 }));
import { spawn, type ChildProcess } from 'node:child_process';
import { mkdtemp, rm, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { createInterface } from 'node:readline';
import { fileURLToPath } from 'node:url';

/** A device that can be found. */
export interface MockDevice {
  readonly key: string;
  readonly name: string;
  /** A bike is a fitness machine without Rower Data. */
  readonly kind: 'rower' | 'bike' | 'strap';
}

/** A call that a client made. */
export interface Call {
  readonly call: string;
  readonly device?: string;
}

/** The daemon, and what can be made to happen. */
export interface Bluez {
  /** The environment in which a browser or a bridge finds it. */
  readonly env: Record<string, string>;
  /** Everything that clients called, in order. */
  readonly calls: readonly Call[];
  /** One notification; to nobody when nobody listens, as with a real one. */
  notify(key: string, value: Uint8Array | string): Promise<void>;
  /** The link is lost, as when somebody walks out of reach. */
  drop(key: string): Promise<void>;
  refuseConnects(key: string, times: number): Promise<void>;
  refuseSubscribes(key: string, times: number): Promise<void>;
  stop(): Promise<void>;
}

/** Without it Chromium on Linux gives pages no Bluetooth; other systems need no switch. */
export const BLUETOOTH_ARGS: readonly string[] = ['--enable-features=WebBluetooth'];

/** What has to be installed, in words; the gate says it when something is missing. */
export const NEEDS = 'Debian packages: dbus python3-dbus python3-gi';

/** The distribution's own Python sees its own packages; another one on the path may not. */
const PYTHON = process.env['BLE_PYTHON'] ?? '/usr/bin/python3';

/** Starts a bus and the daemon on it. Without devices there is no adapter either. */
export async function startBluez(devices: readonly MockDevice[]): Promise<Bluez> {
  const folder = await mkdtemp(join(tmpdir(), 'bluez-'));
  const address = `unix:path=${folder}/bus`;
  await writeFile(join(folder, 'bus.conf'), busConfig(address));
  const bus = spawn('dbus-daemon', [`--config-file=${folder}/bus.conf`, '--nofork', '--nopidfile', '--print-address'], {
    stdio: ['ignore', 'pipe', 'pipe'],
  });
  const stopBus = async () => {
    await ended(bus);
    await rm(folder, { recursive: true, force: true });
  };
  try {
    await firstLine(bus, 'dbus-daemon');
    const env = { ...environment(), DBUS_SYSTEM_BUS_ADDRESS: address, DBUS_SESSION_BUS_ADDRESS: address };
    return await startDaemon(devices, env, stopBus);
  } catch (error) {
    await stopBus();
    throw error;
  }
}

async function startDaemon(devices: readonly MockDevice[], env: Record<string, string>, stopBus: () => Promise<void>): Promise<Bluez> {
  const script = fileURLToPath(new URL('mock_bluez.py', import.meta.url));
  const daemon = spawn(PYTHON, [script, JSON.stringify(devices)], { env, stdio: ['pipe', 'pipe', 'pipe'] });
  const calls: Call[] = [];
  const waiting: { done(): void; failed(why: Error): void }[] = [];
  const { said } = await firstLine(daemon, `mock_bluez.py (${NEEDS})`);
  said((line) => {
    const told: { call?: string; device?: string; failed?: string } = JSON.parse(line);
    if (told.call !== undefined) calls.push({ call: told.call, ...(told.device === undefined ? {} : { device: told.device }) });
    else if (told.failed !== undefined) waiting.shift()?.failed(new Error(told.failed));
    else waiting.shift()?.done();
  });
  let over: Error | null = null;
  daemon.once('exit', (code) => {
    over = new Error(`mock_bluez.py has ended (${code})`);
    for (const { failed } of waiting.splice(0)) failed(over);
  });
  const order = (what: object) =>
    new Promise<void>((done, failed) => {
      if (over !== null) return failed(over);
      waiting.push({ done, failed });
      daemon.stdin.write(`${JSON.stringify(what)}\n`);
    });
  return {
    env,
    calls,
    notify: (key, value) => order({ notify: key, hex: typeof value === 'string' ? value.replaceAll(' ', '') : Buffer.from(value).toString('hex') }),
    drop: (key) => order({ drop: key }),
    refuseConnects: (key, times) => order({ refuse_connect: key, times }),
    refuseSubscribes: (key, times) => order({ refuse_subscribe: key, times }),
    stop: async () => {
      await ended(daemon);
      await stopBus();
    },
  };
}

/** Waits for the first line; afterwards every further one goes to who asks for it. */
async function firstLine(child: ChildProcess, name: string): Promise<{ said(hear: (line: string) => void): void }> {
  if (child.stdout === null || child.stderr === null) throw new Error(`${name} has no output`);
  let complaints = '';
  child.stderr.on('data', (text: Buffer) => (complaints += text.toString()));
  const lines = createInterface({ input: child.stdout });
  await new Promise<void>((ready, failed) => {
    lines.once('line', () => ready());
    child.once('error', (error) => failed(new Error(`${name} could not be started: ${error.message}`)));
    child.once('exit', (code) => failed(new Error(`${name} ended (${code}): ${complaints}`)));
  });
  return { said: (hear) => void lines.on('line', hear) };
}

async function ended(child: ChildProcess): Promise<void> {
  if (child.exitCode !== null || child.signalCode !== null) return;
  const over = new Promise((done) => child.once('exit', done));
  child.kill();
  await over;
}

function environment(): Record<string, string> {
  return Object.fromEntries(Object.entries(process.env).flatMap(([name, value]) => (value === undefined ? [] : [[name, value]])));
}

function busConfig(address: string): string {
  return `<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
  "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>system</type>
  <listen>${address}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow user="*"/>
    <allow own="*"/>
    <allow send_type="method_call"/>
    <allow send_destination="*"/>
    <allow receive_sender="*"/>
  </policy>
</busconfig>
`;
}
