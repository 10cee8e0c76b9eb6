// What an athlete says until it is answered, the newest of each kind, and what came of it.
import type { CommandId } from '../../protocol/decode';
import type { Live } from '../../session/live.svelte';

/** 'stop' also covers rowing on: the newer of the two holds. */
export type Asked = 'ready' | 'consent' | 'stop';

export class Asks {
  readonly #live: Live;
  #newest = $state.raw<Readonly<Partial<Record<Asked, CommandId>>>>({});

  constructor(live: Live) {
    this.#live = live;
  }

  say(what: Asked, make: Parameters<Live['ask']>[0]): void {
    this.#newest = { ...this.#newest, [what]: this.#live.ask(make, this.#newest[what] ?? null) };
  }

  /** It is not said again. */
  forgo(what: Asked): void {
    const command = this.#newest[what];
    if (command !== undefined) this.#live.forgo(command);
  }

  /** Whether the newest of these has not been answered yet. */
  waits(what: Asked): boolean {
    const command = this.#newest[what];
    return command !== undefined && this.#live.waits(command);
  }

  /** Why the newest of these was refused; empty when it was not. */
  refused(what: Asked): string {
    return this.refusalOf(this.#newest[what] ?? null);
  }

  /** Why this was refused; empty when it was not. */
  refusalOf(command: CommandId | null): string {
    const answer = command === null ? undefined : this.#live.state.answers.get(command);
    return answer === undefined || answer.done ? '' : answer.refusal.says;
  }
}
