// The leaves that the tech has, and the unit in which lengths are said.

import { forget } from '../typed.js';
import { button, field, h } from '../ui.js';
import words from '../words/en.js';

const said = words.leaves;

/** What of the last entry was taken for inches, as the kit says it. */
let inches = null;

export async function show({ kit, redraw }) {
  const { own, words: names, unit } = await kit.leaves();
  const has = new Set(names);
  const taken = inches;
  inches = null;
  const chips = names.map((name) => {
    const chip = h('button', { type: 'button', class: 'leaf', 'aria-pressed': 'true', 'aria-label': said.has(name) }, name);
    chip.addEventListener('click', () => {
      if (has.has(name)) has.delete(name);
      else has.add(name);
      chip.setAttribute('aria-pressed', String(has.has(name)));
    });
    return chip;
  });
  const more = h('input', { name: 'more', autocomplete: 'off', inputmode: 'text' });
  const units = Object.entries(said.units).map(([key, label]) => button(label, async () => {
    await kit.setUnit(key);
    await redraw();
  }, 'leaf', { 'aria-pressed': String(key === unit) }));
  return {
    title: said.title,
    back: '/status',
    moves: false,
    body: [taken ? h('p', { class: 'box warn' }, taken) : null, h('p', null, own ? said.own : said.plain), h('div', { class: 'leaves' }, chips), field(said.add, more, said.addHint(said.units[unit])),
      h('h2', null, said.unit), h('div', { class: 'leaves', role: 'group', 'aria-label': said.unit }, units)],
    hand: [
      own ? button(said.plainSet, async () => {
        await kit.setLeaves('');
        await redraw();
      }, 'wide') : null,
      button(said.keep, async () => {
        // With their unit: what the kit has said is not read in two ways.
        const text = [...names.filter((name) => has.has(name)).map((name) => `${name}${unit}`), more.value.trim()].filter(Boolean).join(',');
        if (!text) throw Object.assign(new Error(said.none), { code: 'entry' });
        ({ inches = null } = await kit.setLeaves(text));
        forget();
        await redraw();
      }, 'main'),
    ].filter(Boolean),
  };
}
