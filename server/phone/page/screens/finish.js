// Finishing a visit, with what it leaves open.

import { forget } from '../draft.js';
import { button, field, h, link, list } from '../ui.js';
import words from '../words/en.js';

const said = words.finish;

export async function show({ kit, at, go, status }, machine, done) {
  const visit = await kit.openVisitOf(machine);
  if (!visit) {
    const left = (await kit.remembered(`finished/${machine}`)) ?? [];
    return {
      title: said.done,
      body: [left.length ? [h('p', null, said.stillOpen), list(left)] : h('p', { class: 'box good' }, said.nothing), status.waiting ? h('p', null, said.next) : null],
      hand: [link(said.round, '/round', 'main')],
    };
  }
  const open = await kit.leftOpen(machine, visit);
  const remark = h('textarea', { rows: '2' });
  return {
    title: said.title,
    back: at('check', machine),
    moves: false,
    body: [open.length ? [h('p', null, h('strong', null, said.open)), list(open, 'box warn')] : h('p', { class: 'box good' }, said.nothing), field(said.remark, remark)],
    hand: [button(said.go, async () => {
      const finished = await kit.finishVisit(machine, remark.value.trim());
      await forget(kit, machine);
      await kit.remember(`finished/${machine}`, finished.open);
      go(at('finish', machine, 'done'));
    }, 'main')],
  };
}
