// Symptoms first: what somebody says of the machine, then what to look at, in which order and why, with what the book knows.

import { h, link, list } from '../ui.js';
import words from '../words/en.js';

const said = words.symptom;

/** What a look ends in: a check, or what is to be written down. */
const way = ({ end }, machine, at) => (end === 'check' ? link(said.check, at('start', machine), 'wide') : link(said.found, at('finding', machine), 'wide'));

export async function show({ kit, at, status }, machine, name) {
  const { tag } = await kit.machine(machine);
  if (!name) {
    const all = await kit.symptoms();
    return {
      title: tag,
      ask: said.ask,
      back: at('machine', machine),
      body: [h('div', { class: 'choices' }, all.map((one) => link(one.words, at('symptom', machine, one.name), 'wide')))],
    };
  }
  const view = await kit.symptom(machine, name);
  return {
    title: said.title(tag, view.title),
    back: at('symptom', machine),
    body: [
      view.known.map((sentence) => h('p', { class: 'box' }, sentence)),
      h('ol', { class: 'looks' }, view.looks.map((look) => h('li', null, h('strong', null, look.what),
        list(look.known, 'box warn'), h('p', { class: 'soft' }, h('b', null, said.why), ' ', look.why), h('p', null, look.then),
        status.measures ? way(look, machine, at) : null))),
      h('p', { class: 'soft' }, view.deference),
    ],
  };
}
