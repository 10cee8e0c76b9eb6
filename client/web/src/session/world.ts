// What the session needs from the world: a socket, the time, randomness. Tests bring a world of their own.

/** One connection. */
export interface Wire {
  send(text: string): void;
  /** Says good-bye; `closed` is still told. */
  close(): void;
}

/** What a connection tells. */
export interface Ear {
  opened(): void;
  heard(text: string): void;
  /** Once, and nothing after it; null when no close frame came. */
  closed(code: number | null, reason: string): void;
}

/** The world as a session sees it. */
export interface World {
  open(ear: Ear): Wire;
  /** Milliseconds on a clock that never runs back. */
  now(): number;
  /** The wall clock, milliseconds since 1970: it may be set, but it outlives the page. */
  wall(): number;
  /** Calls back after this many milliseconds; calling the returned function cancels that. */
  later(ms: number, then: () => void): () => void;
  /** From 0 up to 1. */
  random(): number;
}

/** This browser, connected to the server that the page came from. */
export function browser(): World {
  return {
    open(ear) {
      const address = new URL('/ws', location.href);
      address.protocol = address.protocol === 'https:' ? 'wss:' : 'ws:';
      address.hash = '';
      const socket = new WebSocket(address);
      socket.onopen = () => ear.opened();
      socket.onmessage = ({ data }) => {
        if (typeof data === 'string') ear.heard(data);
      };
      socket.onclose = ({ code, reason }) => ear.closed(code === 1005 || code === 1006 ? null : code, reason);
      return {
        send(text) {
          // For a socket that is closing, `closed` reports it; what was said on it is said again after the welcome.
          if (socket.readyState === WebSocket.OPEN) socket.send(text);
        },
        close: () => socket.close(1000),
      };
    },
    now: () => performance.now(),
    wall: () => Date.now(),
    later(ms, then) {
      const timer = setTimeout(then, ms);
      return () => clearTimeout(timer);
    },
    random: () => Math.random(),
  };
}
