// The bridge of `thole row --from ftms`: two machines, two athletes, one process, a piece to its results.
//
// It needs the program built with `--features bluetooth`, which takes minutes, so it runs when asked for:
//
//     cargo build --release -p thole-server && cargo build --release -p thole --features bluetooth
//     BLE_PROGRAMS=../../target/release npx vitest run --project e2e e2e/ble/native
import { spawn, type ChildProcessByStdio } from 'node:child_process';
import { mkdtemp, rm, writeFile } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join, resolve } from 'node:path';
import { createInterface } from 'node:readline';
import type { Readable, Writable } from 'node:stream';
import { afterEach, expect, test } from 'vitest';
import { writePart } from '../../src/machine/ftms';
import { startBluez } from './bluez';

const PROGRAMS = process.env['BLE_PROGRAMS'];
const program = (name: string) => resolve(PROGRAMS ?? '', name);

type Line = { readonly [field: string]: unknown };
interface Running {
  readonly child: ChildProcessByStdio<Writable, Readable, null>;
  readonly lines: readonly Line[];
}

const toStop: (() => Promise<unknown>)[] = [];
afterEach(async () => {
  for (const stop of toStop.splice(0).reverse()) await stop();
});

function run(name: string, args: readonly string[], env: Record<string, string>): Running {
  const child = spawn(program(name), args, { env, stdio: ['pipe', 'pipe', 'inherit'] });
  const lines: Line[] = [];
  createInterface({ input: child.stdout }).on('line', (line) => {
    if (line.startsWith('{')) lines.push(JSON.parse(line));
  });
  const over = new Promise((done) => child.once('exit', done));
  toStop.push(async () => {
    if (child.exitCode === null) child.kill();
    await over;
  });
  return { child, lines };
}

async function until<T>(what: string, look: () => T | undefined, ms = 20_000): Promise<T> {
  for (let waited = 0; waited < ms; waited += 50) {
    const found = look();
    if (found !== undefined) return found;
    await pause(50);
  }
  throw new Error(`waited in vain: ${what}`);
}

const pause = (ms: number) => new Promise((done) => setTimeout(done, ms));
const of = (lines: readonly Line[], event: string) => lines.filter((line) => line['event'] === event);

test.runIf(PROGRAMS !== undefined)('two machines, a drop with two refused connects, two results without a gap', { timeout: 120_000 }, async () => {
  const folder = await mkdtemp(join(tmpdir(), 'bridge-'));
  toStop.push(() => rm(folder, { recursive: true, force: true }));
  const bluez = await startBluez([
    { key: 'row7', name: 'Row 7', kind: 'rower' },
    { key: 'row9', name: 'Row 9', kind: 'rower' },
  ]);
  toStop.push(() => bluez.stop());
  const port = 20_000 + (process.pid % 20_000);
  const env = { ...bluez.env, THOLE_SERVER: `ws://127.0.0.1:${port}` };
  run('thole-server', ['serve', '--listen', `127.0.0.1:${port}`, '--data', join(folder, 'data')], env);
  await pause(1_000);

  const roster = join(folder, 'roster.csv');
  await writeFile(roster, 'name,team,target,plan,heart_limit\nAna Quill,,0:33.4,,\nBo Tarn,,0:31.7,,\n');
  const made = run('thole', ['coach', 'create', '--json', '--title', 'Bridged', '--piece', '130m', '--count', '5s', '--roster', roster], env);
  const created = await until('the session', () => of(made.lines, 'created')[0]);
  const links: { link: string }[] = JSON.parse(JSON.stringify(created['athletes']));
  const [ana, bo] = links.map(({ link }) => link);

  // Two are in the room and none is named: their names are told.
  const unnamed = run('thole', ['row', '--json', '--from', 'ftms', '--link', bo ?? ''], env);
  const failed = await until('which one', () => of(unnamed.lines, 'failed')[0]);
  expect(failed['says']).toMatch(/say which with --device: (Row 7, Row 9|Row 9, Row 7)\.$/);

  const bridge = run('thole', ['row', '--json', '--cautions-read', '--from', 'ftms', '--pair', `Row 7=${ana}`, '--pair', `row 9=${bo}`], env);
  await until('both linked', () => (of(bridge.lines, 'linked').length === 2 ? true : undefined));
  // At rest, both silent after one word: the bridge tells the baseline again by itself.
  await bluez.notify('row7', writePart({ strokes: 3, distance_m: 12 }));
  await bluez.notify('row9', writePart({ strokes: 0, distance_m: 0 }));

  const coach = run('thole', ['coach', '--json', '--link', String(created['coach_link']), 'lead'], env);
  await pause(1_500);
  coach.child.stdin.write('arm\n');
  await pause(500);
  coach.child.stdin.write('start\n');
  await until('the go', () => (of(bridge.lines, 'go').length === 2 ? true : undefined));

  for (let second = 1; second <= 34; second += 1) {
    await pause(1_000);
    if (second === 12) {
      await bluez.refuseConnects('row7', 2);
      await bluez.notify('row7', writePart({ distance_m: 99_999 }, { more: true }));
      await bluez.drop('row7');
    }
    await bluez.notify('row7', writePart({ distance_m: 12 + 4 * second, elapsed_s: second }, { more: true }));
    await bluez.notify('row7', writePart({ strokes: 3 + Math.floor(second / 2), rate_half_spm: 60 }));
    await bluez.notify('row9', writePart({ strokes: Math.floor(second / 2), distance_m: Math.floor(4.2 * second), rate_half_spm: 58 }));
  }
  const results = await until('two results', () => {
    const finished = of(bridge.lines, 'happened').flatMap(({ machine, happened }) => {
      const told: { what: { results?: { outcome: string; time_ms: number; distance_dm: number; marks: string[] }[] } } =
        JSON.parse(JSON.stringify(happened));
      return (told.what.results ?? []).map((result) => ({ machine, ...result }));
    });
    const last = (machine: string) => finished.findLast((one) => one.machine === machine);
    const both = [last('Row 7'), last('row 9')];
    return both.every((one) => one?.outcome === 'finished') ? both : undefined;
  });
  // 130 m at 4 m/s and at 4.2 m/s, heard once a second.
  expect(results.map((result) => [result?.distance_dm, result?.marks])).toEqual([[1_300, []], [1_300, []]]);
  for (const [nth, wanted] of [32_500, 30_950].entries()) {
    expect(Math.abs((results[nth]?.time_ms ?? 0) - wanted)).toBeLessThan(800);
  }
  expect(bluez.calls.filter(({ call, device }) => call === 'Connect' && device === 'row7').length).toBe(4);
  expect(of(bridge.lines, 'machine_lost').map(({ machine }) => machine)).toEqual(['Row 7']);
});

test.runIf(PROGRAMS !== undefined)('without an adapter the bridge says so', async () => {
  const bluez = await startBluez([]);
  toStop.push(() => bluez.stop());
  const { lines } = run('thole', ['row', '--json', '--from', 'ftms', '--link', 'http://127.0.0.1:1/row/KAMURETA#not-used'], bluez.env);
  expect((await until('the end', () => of(lines, 'failed')[0]))['says']).toContain('no Bluetooth adapter');
});
