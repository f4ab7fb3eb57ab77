// Before a visit: the cautions, each to be seen, all confirmed; then whether the engine is cold.

import { button, h } from '../ui.js';
import words from '../words/en.js';

const said = words.start;

export async function show(context, id) {
  const { kit, at, go } = context;
  if (await kit.openVisitOf(id)) return go(at('check', id));
  const [{ cautions, deference }, view] = await Promise.all([kit.cautions(), kit.machine(id)]);
  const holds = view.findings.filter((one) => one.grade === 'hold');
  return {
    title: said.cautions,
    back: at('machine', id),
    name: 'cautions',
    moves: false,
    body: [
      holds.map((one) => h('p', { class: 'box stop' }, h('strong', null, `${said.hold}: `), one.what)),
      h('ol', { class: 'cautions' }, cautions.map((one) => h('li', null, one))), h('p', { class: 'soft' }, deference),
    ],
    hand: [button(said.confirm, () => cold(context, id), 'main')],
  };
}

/** The next question, on the same address: where it is left, the cautions are shown again. */
function cold({ kit, at, go }, id) {
  const open = async (isCold) => {
    await kit.openVisit(id, { cold: isCold, cautions_confirmed: true });
    go(at('check', id));
  };
  const main = document.getElementById('screen');
  const heading = h('h1', { tabindex: '-1' }, said.cold);
  main.replaceChildren(h('div', { class: 'top' }, h('a', { class: 'back', href: `#${at('machine', id)}` }, words.back), heading),
    h('div', { class: 'body' }, h('p', null, said.coldHint)),
    h('div', { class: 'hand pair' }, button(said.isWarm, () => open(false), 'answer'), button(said.isCold, () => open(true), 'answer')));
  heading.focus();
}
