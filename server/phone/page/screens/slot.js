// A slot about which two people disagree: both readings, which stands meanwhile, and why.

import { h, link, list, mark } from '../ui.js';
import words from '../words/en.js';

const said = words.slot;

export async function show({ kit, at }, doc, slot) {
  const view = await kit.slot(doc, JSON.parse(slot));
  const contested = (await kit.contested()).some((one) => one.doc === doc && JSON.stringify(one.slot) === slot);
  return {
    title: contested ? said.title : view.slot_words,
    back: at('machine', doc),
    body: [
      h('p', null, h('strong', null, `${view.title}: ${view.slot_words}`)),
      list(view.readings.map((one) => h('div', { class: one.stands ? 'box good' : 'box' },
        h('p', { class: 'big' }, one.words),
        h('p', null, said.who(one.by, one.role), ' · ', one.when || words.when(one.at_ms)),
        one.stands ? mark(contested ? said.stands : said.standsNow, 'in-spec') : null,
        one.aside ? h('p', { class: 'soft' }, one.aside) : null)), 'plain-list'),
      h('p', null, view.reason), view.order_unknown ? h('p', null, said.unknown) : null,
      view.rulings?.length ? h('p', null, said.rulings) : null,
      view.rulings?.length ? list(view.rulings.map((one) => h('div', { class: one.counts ? 'box good' : 'box' },
        h('p', null, one.words), h('p', null, one.when), one.counts ? mark(said.counts, 'in-spec') : null)), 'plain-list') : null,
      contested ? h('p', { class: 'soft' }, said.decide) : null,
    ],
    hand: [link(words.back, at('machine', doc), 'wide')],
  };
}
