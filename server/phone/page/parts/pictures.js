// The photos of a machine with where the picture of each is: the record has its hash; the kit keeps the bytes and brings them to the shop.

import { h, mark } from '../ui.js';
import words from '../words/en.js';

const said = words.pictures;

/** Where a picture is, in words; `own` is what the kit knows of it, where this phone noted it. */
function where(own, here) {
  if (own?.bytes === 'here') return [mark(said.here, 'warn')];
  if (own?.bytes === 'at-shop') return [mark(said.atShop, 'in-spec'), here && own.let_go_ms ? [' ', said.until(words.when(own.let_go_ms))] : null];
  if (own?.bytes === 'stopped') return [mark(said.stopped, 'warn'), ' ', own.stopped];
  return [said.elsewhere];
}

/** The photos of a machine's view, newest first: the picture where it is on this phone, what it shows, and where it is. */
export async function photosOf(kit, machine, photos) {
  const own = new Map((await kit.ownPhotos()).map((one) => [one.record, one]));
  return Promise.all(photos.map(async (photo) => {
    const picture = await kit.picture(machine, photo.sha256);
    const src = picture ? URL.createObjectURL(picture) : null;
    const caption = photo.caption || said.noCaption;
    const ending = photo.media_type.replace(/^image\//, '').replace('jpeg', 'jpg');
    return h('figure', { class: 'photo' }, src ? h('img', { src, alt: words.photo.alt(caption) }) : null,
      h('figcaption', null, h('strong', null, caption), h('span', { class: 'soft' }, `${photo.by} · ${words.when(photo.at_ms)}`),
        h('span', { class: 'where' }, where(own.get(photo.record), !!src)),
        src ? h('a', { class: 'way', href: src, download: `${caption}.${ending}` }, words.photo.save) : null));
  }));
}
