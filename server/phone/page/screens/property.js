// One property: what the last one there noted, how to get in, and its machines.

import { dueMarks } from '../parts/due.js';
import { notesOf } from '../parts/notes.js';
import { h, link, list } from '../ui.js';
import words from '../words/en.js';

export async function show(context, id) {
  const { kit, at } = context;
  const stop = await kit.property(id);
  const lines = stop.due.map((line) => h('a', { class: 'place', href: `#${at('machine', line.machine)}` },
    h('strong', null, line.tag), line.description ? h('span', null, line.description) : null,
    h('span', { class: 'soft' }, line.words), h('span', { class: 'marks' }, dueMarks(line))));
  return {
    title: stop.name,
    back: '/round',
    body: [
      await notesOf(context, id, stop.notes, stop.more_notes ? words.notes.olderHere(stop.more_notes) : null),
      stop.address ? h('p', null, stop.address) : null,
      stop.access ? h('p', { class: 'box' }, h('strong', null, `${words.property.access}: `), stop.access) : null,
      list(lines, 'stops'),
    ],
    hand: [h('div', { class: 'pair' }, link(words.property.note, at('note', id, 'property'), 'wide'), link(words.property.unlisted, at('unlisted', id), 'wide'))],
  };
}
