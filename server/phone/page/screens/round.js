// The day's round: the properties in the kit's order, the most pressing first, with what is due there.

import { dueMarks } from '../parts/due.js';
import { h, link, list } from '../ui.js';
import words from '../words/en.js';

export async function show({ kit, at }) {
  const stops = await kit.round();
  const lines = stops.map((stop) => h('a', { class: 'place', href: `#${at('property', stop.property)}` },
    h('strong', null, stop.name),
    stop.address ? h('span', { class: 'soft' }, stop.address) : null,
    stop.due.length ? h('span', { class: 'machines' }, stop.due.slice(0, 4).map((line) => h('span', null, words.machine.line(line.tag, line.words), ' ', dueMarks(line)))) : null,
    h('span', { class: 'soft' }, words.round.machines(stop.machines))));
  const open = stops.flatMap((stop) => stop.due).filter((line) => line.open_visit);
  return {
    title: words.round.title,
    body: [lines.length ? list(lines, 'stops') : h('p', null, words.round.empty)],
    hand: open.slice(0, 1).map((line) => link(words.round.goOn(line.tag), at('check', line.machine), 'main')),
  };
}
