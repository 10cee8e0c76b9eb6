import { expect, test } from 'vitest';
import { wanted } from './route';

const ORIGIN = 'https://club.local:8737';
const PARTS = new Set(['/assets/athlete-Bq1.js', '/icon.svg']);
const asked = (path: string, mode = 'cors', method = 'GET') => wanted({ url: new URL(path, ORIGIN).href, method, mode }, ORIGIN, PARTS);

test('the athlete’s page of any session, and the parts of this build', () => {
  expect(asked('/row/KAMURETA', 'navigate')).toBe('page');
  expect(asked('/row/', 'navigate')).toBe('page');
  expect(asked('/row/KAMURETA?theme=dark', 'navigate')).toBe('page');
  expect(asked('/assets/athlete-Bq1.js')).toBe('part');
  expect(asked('/icon.svg', 'no-cors')).toBe('part');
});

test('nothing else: no socket, no other page, no part of another build, nothing that is sent', () => {
  for (const [path, mode, method] of [
    ['/ws', 'websocket', 'GET'],
    ['/ws', 'cors', 'GET'],
    ['/healthz', 'navigate', 'GET'],
    ['/coach/KAMURETA', 'navigate', 'GET'],
    ['/board/KAMURETA', 'navigate', 'GET'],
    ['/row/KAMURETA/more', 'navigate', 'GET'],
    ['/row/KAMURETA', 'cors', 'GET'],
    ['/row/KAMURETA', 'navigate', 'POST'],
    ['/assets/athlete-Ax9.js', 'cors', 'GET'],
    ['/assets/athlete-Bq1.js?more', 'cors', 'GET'],
    ['https://elsewhere.test/icon.svg', 'cors', 'GET'],
  ] as const) {
    expect(asked(path, mode, method), `${method} ${path} ${mode}`).toBe('other');
  }
});
