// The latest notes, above all else: what the last one here wanted the next one to know.

import { takeBack } from './takeback.js';
import { h } from '../ui.js';
import words from '../words/en.js';

/** Notes with who left each and when; `older` says how many more there are. One's own can be taken back where the screen is drawn again. */
export async function notesOf({ kit, redraw }, doc, notes, older) {
  if (!notes.length) return null;
  const own = new Set(redraw ? await kit.toTakeBack(doc) : []);
  return [
    notes.map((note) => h('div', { class: 'note' }, h('p', null, note.text), h('span', { class: 'soft' }, `${note.by} · ${words.when(note.at_ms)}`),
      own.has(note.record) ? takeBack(kit, note.record, redraw) : null)),
    older ? h('p', { class: 'soft' }, older) : null,
  ];
}
