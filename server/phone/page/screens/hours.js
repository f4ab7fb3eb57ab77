// The hour meter, on big keys. The number stands directly above them.

import { keypad } from '../parts/keypad.js';
import { button, h } from '../ui.js';
import words from '../words/en.js';

const said = words.meter;

/** The question; `after` goes on, `later` puts it off where it may be. */
export async function ask({ kit, at }, machine, { after, later, back }) {
  const view = await kit.machine(machine);
  const last = view.state.hours;
  const keys = keypad(said);
  return {
    title: said.title,
    back: back ?? at('machine', machine),
    name: 'hours',
    moves: false,
    body: [h('p', { class: 'soft' }, last ? said.last(words.hours(last.meter_tenth_h), words.when(last.at_ms)) : said.none)],
    hand: [keys.shown, keys.board, h('div', { class: 'pair' },
      later ? button(said.later, later, 'wide') : null,
      button(said.keep, async () => {
        const { record, doubt } = await kit.readHours(machine, keys.tenths());
        keys.forget();
        if (doubt) doubted(kit, record, doubt, after);
        else await after();
      }, 'main'))],
  };
}

export async function show(context, machine) {
  return ask(context, machine, { after: () => context.go(context.at('machine', machine)) });
}

/** A reading that cannot be is kept, and said to be in doubt: it may be taken back at once. */
function doubted(kit, record, doubt, after) {
  const main = document.getElementById('screen');
  const heading = h('h1', { tabindex: '-1' }, said.doubt);
  main.replaceChildren(h('div', { class: 'top' }, heading), h('div', { class: 'body' }, h('p', { class: 'box warn' }, doubt)),
    h('div', { class: 'hand' },
      button(said.right, after, 'wide'),
      button(said.again, async () => {
        await kit.void(record, said.slip);
        window.dispatchEvent(new Event('hashchange'));
      }, 'main')));
  heading.focus();
}
