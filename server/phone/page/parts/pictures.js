// The pictures of photos, by machine, in this browser's own cache: the record has their hash, the shop takes no picture yet.

import { h } from '../ui.js';
import words from '../words/en.js';

const NAME = 'pictures';
const path = (machine, hash) => `/phone/pictures/${machine}/${hash}`;

/** Keeps a picture under its hash. */
export async function keepPicture(machine, hash, bytes, type, caption) {
  const cache = await caches.open(NAME);
  const headers = { 'content-type': type, 'x-caption': encodeURIComponent(caption) };
  await cache.put(path(machine, hash), new Response(bytes, { headers }));
}

/** The pictures of a machine, each with a way to save it. */
export async function picturesOf(machine) {
  const cache = await caches.open(NAME);
  const all = await cache.keys();
  const own = all.filter((request) => new URL(request.url).pathname.startsWith(path(machine, '')));
  return Promise.all(own.map(async (request) => {
    const answer = await cache.match(request);
    const src = URL.createObjectURL(await answer.blob());
    const caption = decodeURIComponent(answer.headers.get('x-caption') ?? '');
    return h('figure', null, h('img', { src, alt: words.photo.alt(caption) }),
      h('figcaption', null, caption, ' ', h('a', { class: 'way', href: src, download: `${caption || 'photo'}.jpg` }, words.photo.save)));
  }));
}
