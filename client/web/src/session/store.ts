// Samples on this device's own disk, so that a page that is loaded anew in mid-piece loses none.
import type { RunId, Sample } from '../protocol/decode';
import { isSample } from '../protocol/decode';

/** Where samples are kept. Nothing here waits: rowing goes on whatever the disk does. */
export interface Store {
  /** All samples of a recording, in any order. */
  load(run: RunId): Promise<Sample[]>;
  add(run: RunId, sample: Sample): void;
  /** Those up to this number are not needed any more. */
  forget(run: RunId, throughSeq: number): void;
}

const NAME = 'thole';
const SAMPLES = 'samples';

/**
 * The browser's own store. A disk that refuses is told once through `failed`: the samples are safe with the
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
  const write = (change: (samples: IDBObjectStore) => void) => {
    database()
      .then((db) => {
        const writing = db.transaction(SAMPLES, 'readwrite');
        writing.onabort = () => tell(writing.error);
        change(writing.objectStore(SAMPLES));
      })
      .catch(tell);
  };
  return {
    async load(run) {
      try {
        const db = await database();
        const samples = await done(db.transaction(SAMPLES).objectStore(SAMPLES).getAll(all(run)));
        return samples.filter(isSample);
      } catch (why) {
        tell(why);
        return [];
      }
    },
    add: (run, sample) => write((samples) => samples.put(sample, [run, sample.seq])),
    forget: (run, throughSeq) => write((samples) => samples.delete(IDBKeyRange.bound([run, 0], [run, throughSeq]))),
  };
}

function opened(): Promise<IDBDatabase> {
  const opening = indexedDB.open(NAME, 1);
  opening.onupgradeneeded = () => opening.result.createObjectStore(SAMPLES);
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
