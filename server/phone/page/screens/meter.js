// A changed hour meter: the old one's last hours, then the new one's first.

import { msOf } from '../parts/clock.js';
import { keypad } from '../parts/keypad.js';
import { button, field, h } from '../ui.js';
import words from '../words/en.js';

const said = words.meter;

export async function show({ kit, at, go }, machine, old) {
  const keys = keypad(said);
  const first = old === undefined;
  const when = h('input', { name: 'when', type: 'datetime-local' });
  return {
    title: first ? said.old : said.fresh,
    back: at('machine', machine),
    name: 'hours',
    moves: false,
    body: [h('p', { class: 'soft' }, first ? said.changed : words.hours(Number(old))), first ? null : field(said.when, when, said.whenHint)],
    hand: [keys.shown, keys.board, button(said.keep, async () => {
      if (first) {
        go(at('meter', machine, String(keys.tenths())));
        return;
      }
      const changed = when.value ? { changed_ms: msOf(when.value) } : {};
      await kit.changeMeter(machine, { old_tenth_h: Number(old), new_tenth_h: keys.tenths(), ...changed });
      go(at('machine', machine));
    }, 'main')],
  };
}
