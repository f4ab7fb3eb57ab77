// A photo: noted and kept at once; the picture goes to the shop by itself after an exchange.

import { photosOf } from '../parts/pictures.js';
import { button, calm, field, h } from '../ui.js';
import words from '../words/en.js';

const said = words.photo;

export async function show({ kit, at, go }, machine) {
  const taken = h('input', { type: 'file', accept: 'image/jpeg,image/png,image/webp', capture: 'environment', class: 'take' });
  const caption = h('input', { autocomplete: 'off', value: said.common[0] });
  const seen = h('div', { class: 'picture' });
  taken.addEventListener('change', () => {
    const [file] = taken.files;
    calm();
    seen.replaceChildren(file ? h('img', { src: URL.createObjectURL(file), alt: said.alt(caption.value) }) : '');
  });
  const before = await photosOf(kit, machine, (await kit.machine(machine)).photos);
  return {
    title: said.title,
    back: at('machine', machine),
    moves: false,
    body: [
      field(said.take, taken), seen,
      h('div', { class: 'chips' }, said.common.map((text) => h('button', { type: 'button', class: 'chip', onclick: () => { caption.value = text; } }, text))),
      field(said.caption, caption), h('p', { class: 'soft' }, said.hint),
      before.length ? [h('h2', null, words.machine.photos), before] : null,
    ],
    hand: [button(said.keep, async () => {
      const [file] = taken.files;
      if (!file) throw Object.assign(new Error(said.first), { code: 'entry' });
      await kit.addPhoto(machine, new Uint8Array(await file.arrayBuffer()), caption.value.trim());
      go(at('machine', machine));
    }, 'main')],
  };
}
