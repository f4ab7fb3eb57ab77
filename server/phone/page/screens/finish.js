// Finishing a visit, with what it leaves open: signed off by who may, handed over by who may not. Then the next machine here.

import { forget } from '../draft.js';
import { button, field, h, link, list } from '../ui.js';
import words from '../words/en.js';

const said = words.finish;

/** What finishes a visit, one's own or another's: the fields to fill in, and what is tapped. */
export function finishing({ kit, at, go, status }, machine, other = null) {
  const remark = h('textarea', { name: 'remark', rows: '2' });
  const done = async (what) => {
    if (!other) await forget(kit, machine);
    await kit.remember(`finished/${machine}`, what);
    go(at('finish', machine, 'done'));
  };
  const tap = status.signs_off
    ? button(said.go, async () => {
      const { open } = other ? await kit.signOff(machine, other, remark.value.trim()) : await kit.finishVisit(machine, remark.value.trim());
      await done({ open });
    }, 'main')
    : button(said.handOver, async () => {
      await kit.handOver(machine, said.handOverText(remark.value.trim()));
      await done({ open: [], handed: true });
    }, 'main');
  return { fields: [status.signs_off ? null : h('p', { class: 'box warn' }, said.mayNot), field(said.remark, remark)], tap };
}

export async function show(context, machine, what, other) {
  const { kit, at } = context;
  const visit = what === 'of' ? other : await kit.openVisitOf(machine);
  if (what === 'done' || !visit) return done(context, machine);
  const [open, view] = await Promise.all([kit.leftOpen(machine, visit), kit.machine(machine)]);
  const whose = other ? view.visits.find((one) => one.visit === other)?.by_name : null;
  const { fields, tap } = finishing(context, machine, other);
  return {
    title: whose ? said.signOff(whose) : said.title,
    back: whose ? at('machine', machine) : at('check', machine),
    moves: false,
    body: [open.length ? [h('p', null, h('strong', null, said.open)), list(open, 'box warn')] : h('p', { class: 'box good' }, said.nothing), fields],
    hand: [tap],
  };
}

/** What became of it, and where to go from here: the next machine that is due at the same place. */
async function done({ kit, at, status }, machine) {
  const { open = [], handed = false } = (await kit.remembered(`finished/${machine}`)) ?? {};
  const { property } = await kit.machine(machine);
  const due = property ? (await kit.duePage({ property, only: 'due' })).lines : [];
  const next = due.find((line) => line.machine !== machine);
  const after = handed ? h('p', null, said.handedOverNext) : open.length ? [h('p', null, said.stillOpen), list(open)] : h('p', { class: 'box good' }, said.nothing);
  return {
    title: handed ? said.handedOver : said.done,
    body: [after, status.waiting ? h('p', null, said.next) : null],
    hand: [next ? link(said.nextHere(next.tag), at('machine', next.machine), 'main') : null, link(said.round, '/round', next ? 'wide' : 'main')].filter(Boolean),
  };
}
