// Samples on this device's own disk, so that a page reloaded in mid-piece loses none.
import type { RunId, Sample } from '../protocol/decode';
import { isFields, isSample } from '../protocol/decode';

/** What a machine said at one instant, before it has a number and an instant of the session. */
export type Said = Omit<Sample, 'seq' | 'heard_ms'>;

/** A report waiting for the session's clock: the page was opened while the server was away. */
export interface Waiting {
  /** Its place among those that wait, from 1. */
  readonly nth: number;
  /** When it was heard, on the wall clock: the page's own clock ends with the page. */
  readonly wall_ms: number;
  readonly said: Said;
}

/** What is kept of a recording. */
export interface Shelved {
  /** In any order. */
  readonly samples: readonly Sample[];
  /** In the order in which it was heard; all of it comes after the samples. */
  readonly waiting: readonly Waiting[];
}

/** Where samples are kept. Nothing here waits: rowing goes on whatever the disk does. */
export interface Store {
  load(run: RunId): Promise<Shelved>;
  /** Keeps a sample; the report it was made from no longer waits. */
  add(run: RunId, sample: Sample, waited: number | null): void;
  wait(run: RunId, report: Waiting): void;
  /** Those up to this number are no longer needed. */
  forget(run: RunId, throughSeq: number): void;
}

const NAME = 'thole';
const SAMPLES = 'samples';
const WAITING = 'waiting';

/**
 * The browser's own store. A disk that refuses is reported once through `failed`: the samples are as safe with the
 * server as ever, only a reload without a connection would lose some.
 */
export function onDisk(failed: (why: string) => void): Store {
  let open: Promise<IDBDatabase> | null = null;
  let told = false;
  const tell = (why: unknown) => {
    if (!told) failed(why instanceof Error ? why.message : String(why));
    told = true;
  };
  const database = () => (open ??= opened());
  const write = (change: (samples: IDBObjectStore, waiting: IDBObjectStore) => void) => {
    database()
      .then((db) => {
        const writing = db.transaction([SAMPLES, WAITING], 'readwrite');
        writing.onabort = () => tell(writing.error);
        change(writing.objectStore(SAMPLES), writing.objectStore(WAITING));
      })
      .catch(tell);
  };
  return {
    async load(run) {
      try {
        const db = await database();
        const reading = db.transaction([SAMPLES, WAITING]);
        const [samples, waiting] = await Promise.all([
          done(reading.objectStore(SAMPLES).getAll(all(run))),
          done(reading.objectStore(WAITING).getAll(all(run))),
        ]);
        return { samples: samples.filter(isSample), waiting: waiting.filter(isWaiting) };
      } catch (why) {
        tell(why);
        return { samples: [], waiting: [] };
      }
    },
    // Both in one: a page that ends in between has the report once, in one form or the other.
    add: (run, sample, waited) =>
      write((samples, waiting) => {
        samples.put(sample, [run, sample.seq]);
        if (waited !== null) waiting.delete([run, waited]);
      }),
    wait: (run, report) => write((_samples, waiting) => waiting.put(report, [run, report.nth])),
    forget: (run, throughSeq) => write((samples) => samples.delete(IDBKeyRange.bound([run, 0], [run, throughSeq]))),
  };
}

function opened(): Promise<IDBDatabase> {
  const opening = indexedDB.open(NAME, 2);
  opening.onupgradeneeded = () => {
    const there = opening.result.objectStoreNames;
    for (const name of [SAMPLES, WAITING]) if (!there.contains(name)) opening.result.createObjectStore(name);
  };
  return done(opening);
}

function all(run: RunId): IDBKeyRange {
  return IDBKeyRange.bound([run, 0], [run, Number.MAX_SAFE_INTEGER]);
}

function done<Got>(request: IDBRequest<Got>): Promise<Got> {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error ?? new Error('The browser did not say why.'));
  });
}

function isWaiting(value: unknown): value is Waiting {
  if (!isFields(value)) return false;
  const { nth, wall_ms, said } = value;
  return typeof nth === 'number' && typeof wall_ms === 'number' && isFields(said) && typeof said['distance_dm'] === 'number';
}
