// One property: how to get in, and its machines.

import { dueMarks } from '../parts/due.js';
import { h, link, list } from '../ui.js';
import words from '../words/en.js';

export async function show({ kit, at }, id) {
  const stop = await kit.property(id);
  const lines = stop.due.map((line) => h('a', { class: 'place', href: `#${at('machine', line.machine)}` },
    h('strong', null, line.tag), line.description ? h('span', null, line.description) : null,
    h('span', { class: 'soft' }, line.words), h('span', { class: 'marks' }, dueMarks(line))));
  return {
    title: stop.name,
    back: '/round',
    body: [
      stop.address ? h('p', null, stop.address) : null,
      stop.access ? h('p', { class: 'box' }, h('strong', null, `${words.property.access}: `), stop.access) : null,
      list(lines, 'stops'),
    ],
    hand: [link(words.property.note, at('note', id, 'property'), 'wide')],
  };
}
