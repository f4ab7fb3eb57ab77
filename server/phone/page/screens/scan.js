// Scanning the tag of a machine, which leads to that machine, with a signal or without.

import { machineOfTag } from '../parts/codes.js';
import { canScan, scan } from '../parts/scan.js';
import { button, calm, complain, h } from '../ui.js';
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
  const again = button(said.again, look, 'main');
  return {
    title: said.title,
    back: '/round',
    moves: false,
    name: 'scan',
    body: [canScan() ? place : h('p', { class: 'box' }, said.cannot)],
    hand: [canScan() ? again : null].filter(Boolean),
    begin: canScan() ? () => { calm(); look().catch(complain); } : null,
  };
}
