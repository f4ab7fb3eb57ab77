// Scanning the tag of a machine, or typing what it says, which leads to that machine, with a signal or without.

import { machineOfTag } from '../parts/codes.js';
import { canScan, scan } from '../parts/scan.js';
import { button, calm, complain, field, form, h } from '../ui.js';
import words from '../words/en.js';

const said = words.scan;

export async function show({ kit, at, go }) {
  const place = h('div', { class: 'camera' });
  const look = async () => {
    again.hidden = true;
    try {
      const text = await scan(place, said.holdTag);
      if (text) go(at('machine', await machineOfTag(kit, text)));
    } finally {
      again.hidden = false;
    }
  };
  const again = button(said.again, look, 'wide');
  const tag = h('input', { name: 'tag', autocomplete: 'off', autocapitalize: 'characters', spellcheck: 'false', required: true, enterkeyhint: 'go' });
  const fields = [canScan() ? place : h('p', { class: 'box' }, said.cannot), field(said.typed, tag)];
  return {
    title: said.title,
    back: '/round',
    moves: false,
    name: 'scan',
    form: form(fields, said.open, async () => { go(at('machine', await kit.findMachine(tag.value.trim()))); }, canScan() ? [again] : []),
    begin: canScan() ? () => { calm(); look().catch(complain); } : null,
  };
}
