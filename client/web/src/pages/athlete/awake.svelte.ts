// Keeps the screen on while somebody has a place. The browser takes that back whenever the page is hidden, so it is
// asked for again whenever the page is seen.

/** What became of it. */
export type Awake = 'asked' | 'on' | 'insecure' | 'none' | 'refused';

export class Wakefulness {
  #is = $state.raw<Awake>('asked');
  #wanted = false;
  #lock: WakeLockSentinel | null = null;

  get is(): Awake {
    return this.#is;
  }

  /** Best called on a tap. Comes back by itself until `rest` is called. */
  keep(): void {
    if (this.#wanted) return void this.#ask();
    this.#wanted = true;
    document.addEventListener('visibilitychange', this.#seen);
    void this.#ask();
  }

  rest(): void {
    this.#wanted = false;
    document.removeEventListener('visibilitychange', this.#seen);
    const lock = this.#lock;
    this.#lock = null;
    if (lock !== null) void lock.release();
  }

  readonly #seen = (): void => {
    if (document.visibilityState === 'visible') void this.#ask();
  };

  async #ask(): Promise<void> {
    if (this.#lock !== null || !this.#wanted || document.visibilityState !== 'visible') return;
    if (!isSecureContext) return void (this.#is = 'insecure');
    if (!('wakeLock' in navigator)) return void (this.#is = 'none');
    try {
      const lock = await navigator.wakeLock.request('screen');
      this.#lock = lock;
      this.#is = 'on';
      lock.addEventListener('release', () => {
        this.#lock = null;
        if (this.#wanted) this.#is = 'asked';
      });
      if (!this.#wanted) this.rest();
    } catch {
      // A low battery, or a setting of the device: the athlete is told, and the device's own sleep timer applies.
      this.#is = 'refused';
    }
  }
}
