// A note on a machine or a property.

import { field, form, h } from '../ui.js';
import words from '../words/en.js';

const said = words.note;

export async function show({ kit, at, go }, doc, kind) {
  const text = h('textarea', { name: 'text', rows: '4', required: true });
  const back = at(kind === 'property' ? 'property' : 'machine', doc);
  return {
    title: said.title,
    back,
    moves: false,
    form: form([field(said.text, text)], said.keep, async () => {
      await kit.addNote(doc, text.value.trim());
      go(back);
    }),
  };
}
