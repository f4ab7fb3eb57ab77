// Every machine of this phone's book, to be looked through.

import { dueMarks } from '../parts/due.js';
import { search } from '../parts/search.js';
import { h } from '../ui.js';
import words from '../words/en.js';

export async function show({ kit, at }) {
  const lines = (page) => page.lines.map((line) => h('a', { class: 'place', href: `#${at('machine', line.machine)}` },
    h('span', null, h('strong', null, line.tag), line.description ? ` ${line.description}` : null),
    h('span', { class: 'soft' }, [line.property_name, line.engine].filter(Boolean).join(' · ')),
    h('span', null, line.words, ' ', dueMarks(line))));
  const { body, refresh } = await search({ ask: (query) => kit.duePage(query), lines, orders: ['pressing', 'tag', 'place'], empty: () => words.round.notFilled });
  return { title: words.machines.title, back: '/round', body, refresh };
}
