// Tables of results that this page has asked for: the server writes them, and they come in parts.
import type { CommandId } from '../../protocol/decode';
import type { News } from '../../session/socket';

/** A file to keep. */
export interface KeptTable {
  readonly name: string;
  readonly csv: string;
}

export class Tables {
  readonly #wanted = new Map<CommandId, KeptTable>();

  /** The answer to this is to become a file with this name. */
  want(command: CommandId, name: string): void {
    this.#wanted.set(command, { name, csv: '' });
  }

  /** Takes in what is told; returns the table that it completes, or null. */
  hear(news: News): KeptTable | null {
    // What has not been answered is asked for again, and comes from the beginning.
    if (news.news === 'welcome') for (const [command, { name }] of this.#wanted) this.want(command, name);
    if (news.news !== 'said') return null;
    const { msg } = news;
    const command = msg.type === 'results_table' || msg.type === 'done' || msg.type === 'refused' ? msg.command : null;
    const table = command === null ? undefined : this.#wanted.get(command);
    if (command === null || table === undefined) return null;
    if (msg.type === 'results_table') {
      this.#wanted.set(command, { ...table, csv: table.csv + msg.csv });
      return null;
    }
    this.#wanted.delete(command);
    return msg.type === 'done' ? table : null;
  }
}
