// The day's round: the properties in the kit's order, the most pressing first, with what is due there.

import { dueMarks } from '../parts/due.js';
import { search } from '../parts/search.js';
import { h, link } from '../ui.js';
import words from '../words/en.js';

export async function show({ kit, at, status }) {
  /** From here at once: what is to be known of the machine first is said there too. */
  const begins = status.measures;
  const lines = ({ stops }) => stops.map((stop) => h('div', { class: 'stop-at' },
    h('a', { class: 'to place-of', href: `#${at('property', stop.property)}` }, h('strong', null, stop.name), stop.address ? h('span', { class: 'soft' }, stop.address) : null),
    stop.due.map((line) => h('div', { class: 'to-two' },
      h('a', { class: 'to', href: `#${at('machine', line.machine)}` }, h('span', null, h('strong', null, line.tag), `: ${line.words}`), h('span', null, dueMarks(line))),
      begins && !line.hold ? h('a', { class: 'way', href: `#${at('start', line.machine)}`, 'aria-label': words.round.checkIt(line.tag) }, words.round.check) : null)),
    stop.found > stop.due.length ? h('a', { class: 'to soft', href: `#${at('property', stop.property)}` }, words.round.others(stop.found - stop.due.length)) : null));
  const filled = status.last_exchange_ms && !(await kit.remembered('filling'));
  const empty = () => (kit.filling ? words.filling(kit.filling) : filled ? words.round.empty : words.round.notFilled);
  const found = await search({ ask: (query) => kit.roundPage(query), lines, orders: ['pressing', 'place'], empty });
  const open = await kit.visitToGoOnWith();
  return {
    title: words.round.title,
    body: found.body,
    // What is filled has nothing to look through yet, and says how far it is.
    refresh: filled ? found.refresh : undefined,
    hand: [h('div', { class: 'pair' }, link(words.scan.tag, '/scan', 'wide'), link(words.round.all, '/machines', 'wide')), open ? link(words.round.goOn(open.tag), at('check', open.machine), 'main') : null].filter(Boolean),
  };
}
