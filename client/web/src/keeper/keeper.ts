// Keeps the athlete's page available while the server is away: a service worker. It holds the page of its own build,
// without any code or secret, and hands it out only when the server does not answer.
//
// Built as one file at /keeper.js; vite.config.ts and server/build.rs put in what it is made of.
import { PAGE, wanted } from './route';

declare const self: ServiceWorkerGlobalScope;

const BUILD = '__BUILD__';
/** Addresses of everything that the page is made of. */
const PARTS = '__PARTS__'.split(' ');
const NAMED = 'thole page ';
const NAME = `${NAMED}${BUILD}`;
/** A server that has not answered within this time is taken to be away. */
const PATIENCE_MS = 4_000;

self.addEventListener('install', (event) => event.waitUntil(keep()));
self.addEventListener('activate', (event) => event.waitUntil(takeOver()));
self.addEventListener('fetch', (event) => {
  const { request } = event;
  switch (wanted(request, self.location.origin, new Set(PARTS))) {
    case 'page':
      return event.respondWith(page(request));
    case 'part':
      return event.respondWith(part(request));
    case 'other':
      return;
  }
});

/** All or nothing: if a part does not come, or the page is of another build, the browser tries again later. */
async function keep(): Promise<void> {
  const cache = await caches.open(NAME);
  const shell = await fetch(PAGE, { cache: 'no-cache' });
  const text = await shell.clone().text();
  if (!shell.ok || !text.includes(BUILD)) throw new Error(`The page of build ${BUILD} is not there.`);
  await cache.put(PAGE, shell);
  await cache.addAll(PARTS);
  await self.skipWaiting();
}

/** What older builds kept is of no use to this one. */
async function takeOver(): Promise<void> {
  const old = (await caches.keys()).filter((name) => name.startsWith(NAMED) && name !== NAME);
  await Promise.all(old.map((name) => caches.delete(name)));
  await self.clients.claim();
}

/** From the server if it is there, so that nobody is kept on an old page. */
async function page(request: Request): Promise<Response> {
  const answer = fetch(request).catch(() => null);
  const away = new Promise<null>((resolve) => setTimeout(() => resolve(null), PATIENCE_MS));
  const response = await Promise.race([answer, away]);
  // A proxy whose server is gone answers in its place.
  if (response !== null && response.status < 500) return response;
  return (await kept(PAGE)) ?? response ?? (await answer) ?? Response.error();
}

/** The name of a part contains a hash of its content, so what is kept is right. */
async function part(request: Request): Promise<Response> {
  return (await kept(request)) ?? fetch(request);
}

async function kept(what: RequestInfo): Promise<Response | undefined> {
  const cache = await caches.open(NAME);
  return cache.match(what, { ignoreVary: true });
}
