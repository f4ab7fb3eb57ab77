// A finding: what, and whether the machine may run.

import { set } from '../typed.js';
import { button, field, h } from '../ui.js';
import words from '../words/en.js';

const said = words.finding;

export async function show({ kit, at, go }, machine) {
  const what = h('textarea', { name: 'what', rows: '2', required: true });
  const keep = (grade) => async () => {
    await kit.addFinding(machine, grade, what.value.trim());
    go(at('machine', machine));
  };
  return {
    title: said.title,
    back: at('machine', machine),
    moves: false,
    body: [
      h('div', { class: 'chips' }, said.common.map((text) => h('button', { type: 'button', class: 'chip', onclick: () => { set(what, text); } }, text))),
      field(said.what, what),
    ],
    hand: [button(said.watch, keep('watch'), 'wide'), button(said.hold, keep('hold'), 'main stop')],
  };
}
