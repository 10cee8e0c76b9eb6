// A machine that reports more often than the server takes: four times a second on the long run. Counters are cumulative:
// of the reports that are left out nothing is lost but how finely the way is known. `client/src/thin.rs` is the same.

import { LIMITS } from '../../generated/known';

/** Reports a second that are recorded. */
const A_SECOND = LIMITS.samples_a_second;
/** Beyond them: a radio that was held up delivers several at once (own choice: ten seconds' worth). */
const SPARE = 40;

export class Thin {
  #left = SPARE;
  #newestMs = -Infinity;

  /** Whether a report that was heard then, on any clock of this device, is recorded. */
  lets(heardMs: number): boolean {
    const goneMs = Math.max(0, heardMs - this.#newestMs);
    this.#newestMs = Math.max(this.#newestMs, heardMs);
    this.#left = Math.min(SPARE, this.#left + (goneMs * A_SECOND) / 1_000);
    if (this.#left < 1) return false;
    this.#left -= 1;
    return true;
  }
}
