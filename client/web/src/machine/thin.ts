// For a machine that reports more often than the server accepts: four times a second in the long run. Counters are
// cumulative: all that is lost with the reports left out is how finely the way is known. `client/src/thin.rs` does the
// same.

import { LIMITS } from '../../generated/known';

/** Reports per second that are recorded. */
const A_SECOND = LIMITS.samples_a_second;
/** On top of that: a radio that was held up delivers several at once (our choice: ten seconds' worth). */
const SPARE = 40;

export class Thin {
  #left = SPARE;
  #newestMs = -Infinity;

  /** Whether a report that was heard at this instant, on any clock of this device, is recorded. */
  lets(heardMs: number): boolean {
    const goneMs = Math.max(0, heardMs - this.#newestMs);
    this.#newestMs = Math.max(this.#newestMs, heardMs);
    this.#left = Math.min(SPARE, this.#left + (goneMs * A_SECOND) / 1_000);
    if (this.#left < 1) return false;
    this.#left -= 1;
    return true;
  }
}
