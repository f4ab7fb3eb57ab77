// A photo: taken, looked at, taken again if need be, kept. It is noted and kept at once; the picture goes to the shop by itself after an
// exchange.

import { photosOf } from '../parts/pictures.js';
import { forget, set } from '../typed.js';
import { button, calm, field, h } from '../ui.js';
import words from '../words/en.js';

const said = words.photo;

export async function show({ kit, at, go, redraw }, machine) {
  const taken = h('input', { type: 'file', accept: 'image/jpeg,image/png,image/webp', capture: 'environment', class: 'hidden', 'aria-label': said.take, tabindex: '-1' });
  const caption = h('input', { name: 'caption', autocomplete: 'off' });
  const seen = h('div', { class: 'picture' });
  const take = button(said.take, () => { taken.click(); }, 'main');
  /** A camera that was opened again and left takes nothing away. */
  let file = null;
  const kept = async () => kit.addPhoto(machine, new Uint8Array(await file.arrayBuffer()), caption.value.trim());
  const keep = button(said.keep, async () => {
    await kept();
    go(at('machine', machine));
  }, 'main');
  const keepOne = button(said.keepOne, async () => {
    await kept();
    forget();
    await redraw();
  }, 'wide');
  const keeping = [keepOne, keep];
  for (const one of keeping) one.hidden = true;
  taken.addEventListener('change', () => {
    calm();
    [file = file] = taken.files;
    if (!file) return;
    seen.replaceChildren(h('img', { src: URL.createObjectURL(file), alt: said.alt(caption.value || words.pictures.noCaption) }));
    take.replaceChildren(said.again);
    take.className = 'wide';
    for (const one of keeping) one.hidden = false;
    seen.scrollIntoView({ block: 'nearest' });
  });
  const before = await photosOf(kit, machine, (await kit.machine(machine)).photos);
  return {
    title: said.title,
    back: at('machine', machine),
    moves: false,
    body: [
      taken, seen,
      field(said.caption, caption),
      h('div', { class: 'chips' }, said.common.map((text) => h('button', { type: 'button', class: 'chip', onclick: () => { set(caption, text); } }, text))),
      h('p', { class: 'soft' }, said.hint),
      before.length ? [h('h2', null, words.machine.photos), before] : null,
    ],
    hand: [h('div', { class: 'pair' }, take, keepOne), keep],
  };
}
