// Keeps the page for no signal. list.js, which the build writes, names each file with the hash of its content: a page is kept whole or
// not at all, and a new list is a new page.

/* global self, caches, clients, LIST */
importScripts('list.js');

const NAME = `tappetbook ${LIST.version}`;

/** A file as the list says that it is: where the server has meanwhile another, the new page is not kept. */
async function fetched({ path, sha256 }) {
  const answer = await fetch(new Request(path, { cache: 'no-cache' }));
  if (!answer.ok) throw new Error(`${path}: ${answer.status}`);
  const bytes = await answer.arrayBuffer();
  const hash = new Uint8Array(await crypto.subtle.digest('SHA-256', bytes));
  const hex = [...hash].map((byte) => byte.toString(16).padStart(2, '0')).join('');
  if (hex !== sha256) throw new Error(`${path} is not the file that the list names`);
  const headers = new Headers(answer.headers);
  // The bytes are plain here, whatever they travelled as.
  headers.delete('content-encoding');
  headers.delete('content-length');
  return new Response(bytes, { status: 200, headers });
}

async function keep() {
  const cache = await caches.open(NAME);
  const all = await Promise.all(LIST.files.map(async (file) => [file.path, await fetched(file)]));
  await Promise.all(all.map(([path, answer]) => cache.put(path, answer)));
}

self.addEventListener('install', (event) => { event.waitUntil(keep()); });

self.addEventListener('activate', (event) => {
  const old = caches.keys().then((names) => names.filter((name) => name.startsWith('tappetbook ') && name !== NAME));
  event.waitUntil(old.then((names) => Promise.all(names.map((name) => caches.delete(name)))).then(() => clients.claim()));
});

self.addEventListener('message', ({ data }) => { if (data === 'take over') self.skipWaiting(); });

/** The page's own files from what is kept; whatever else is asked goes to the shop. */
self.addEventListener('fetch', (event) => {
  const url = new URL(event.request.url);
  const scope = new URL(self.registration.scope);
  if (event.request.method !== 'GET' || url.origin !== scope.origin || !url.pathname.startsWith(scope.pathname)) return;
  const path = event.request.mode === 'navigate' || url.pathname === scope.pathname ? 'index.html' : url.pathname.slice(scope.pathname.length);
  if (!LIST.files.some((file) => file.path === path)) return;
  event.respondWith(caches.open(NAME).then((cache) => cache.match(path)).then((answer) => answer ?? fetch(event.request)));
});
