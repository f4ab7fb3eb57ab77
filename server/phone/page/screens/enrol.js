// Enrolling: the office's one-time code, typed or read from its QR code.

import { exchange } from '../bar.js';
import { oneTimeCode } from '../parts/codes.js';
import { canScan, scan } from '../parts/scan.js';
import { button, field, form, h, say } from '../ui.js';
import words from '../words/en.js';

const said = words.enrol;

export async function show({ kit, go }, code = '') {
  const typed = h('input', { name: 'code', value: code, autocomplete: 'off', autocapitalize: 'characters', spellcheck: 'false', required: true });
  const name = h('input', { name: 'device', value: said.phone, autocomplete: 'off', maxlength: '60', required: true });
  const camera = h('div', { class: 'camera' });
  const scanning = canScan()
    ? button(said.scan, async () => {
      const text = await scan(camera, words.scan.holdCode);
      if (text) typed.value = oneTimeCode(text);
    }, 'wide')
    : h('p', { class: 'soft' }, said.noScan);
  const fields = [h('p', null, said.lead), scanning, camera, field(said.code, typed, said.hint), field(said.name, name), h('p', { class: 'soft' }, said.signal)];
  return {
    title: said.title,
    moves: false,
    form: form(fields, said.go, async () => {
      const enrolled = await kit.enrol(typed.value.trim(), name.value.trim());
      say(said.welcome(enrolled.person_name));
      go('/round');
      await exchange(kit);
    }),
  };
}
