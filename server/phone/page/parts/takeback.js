// Taking back what one has kept: the reason, then a void. The record stays in the history.

import { button, field, form, h, say } from '../ui.js';
import words from '../words/en.js';

const said = words.takeBack;

/** A button that opens the question why; `after` is called once it is taken back. */
export function takeBack(kit, record, after) {
  const why = h('input', { required: true, autocomplete: 'off', value: said.usual });
  const asking = form([field(said.why, why)], said.go, async () => {
    await kit.void(record, why.value.trim());
    say(said.done);
    await after();
  });
  const place = h('div', { class: 'box-of' });
  place.append(button(said.open, () => { place.replaceChildren(h('div', { class: 'box' }, asking)); why.focus(); }));
  return place;
}
