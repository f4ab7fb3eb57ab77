// A photo: its fingerprint is recorded at once; the picture stays on this phone.

import { keepPicture } from '../parts/pictures.js';
import { button, field, h } from '../ui.js';
import words from '../words/en.js';

const said = words.photo;

export async function show({ kit, at, go }, machine) {
  const taken = h('input', { type: 'file', accept: 'image/*', capture: 'environment', class: 'take' });
  const caption = h('input', { autocomplete: 'off', value: said.common[0] });
  const seen = h('div', { class: 'picture' });
  taken.addEventListener('change', () => {
    const [file] = taken.files;
    seen.replaceChildren(file ? h('img', { src: URL.createObjectURL(file), alt: said.alt(caption.value) }) : '');
  });
  return {
    title: said.title,
    back: at('machine', machine),
    moves: false,
    body: [
      field(said.take, taken), seen,
      h('div', { class: 'chips' }, said.common.map((text) => h('button', { type: 'button', class: 'chip', onclick: () => { caption.value = text; } }, text))),
      field(said.caption, caption), h('p', { class: 'soft' }, said.hint),
    ],
    hand: [button(said.keep, async () => {
      const [file] = taken.files;
      if (!file) throw Object.assign(new Error(said.first), { code: 'entry' });
      const bytes = new Uint8Array(await file.arrayBuffer());
      // The picture first: a record of a picture that is nowhere would say too much.
      const kept = bytes.slice();
      const { sha256 } = await kit.addPhoto(machine, bytes, file.type, caption.value.trim());
      await keepPicture(machine, sha256, kept, file.type, caption.value.trim());
      go(at('machine', machine));
    }, 'main')],
  };
}
