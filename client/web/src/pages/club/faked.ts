// Results of an invented club, for tests.
import type { Listed, WholeSession } from '../../protocol/club';

export function rowed(nth: number, more: Partial<Listed> = {}): Listed {
  return {
    result: `result-${nth}`,
    person: 'person-ana',
    name: 'Ana Lima',
    called: 'Ana',
    source: 'piece',
    session: 'session-1',
    piece: 0,
    seat: 0,
    revision: 1,
    day: `2026-11-${String(10 + nth).padStart(2, '0')}`,
    at_unix_ms: null,
    title: '',
    work: '1700m',
    outcome: 'finished',
    place: 1,
    team: null,
    time_ms: 400_000,
    distance_dm: 17_000,
    shown: { want: 'finish', finish_ms: 400_000 - nth * 1_000 },
    target: null,
    margin: null,
    marks: [],
    all_out: 'unknown',
    is_official: false,
    ...more,
  };
}

export function evening(nth: number, results: readonly Listed[]): WholeSession {
  const piece = { piece: 0, title: '', work: '1700m', results: [...results] };
  return { session: `session-${nth}`, day: '2026-11-20', at_unix_ms: 0, title: '', pieces: 1, seats: results.length, results: results.length, by_piece: [piece] };
}
