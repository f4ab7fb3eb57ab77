// One machine: what is the matter, hours, what stands for each valve, and what can be done with it.

import { photosOf } from '../parts/pictures.js';
import { button, field, form, h, link, list, mark } from '../ui.js';
import words from '../words/en.js';

const said = words.machine;

export async function show(context, id) {
  const { kit, at } = context;
  const [view, open, contested] = await Promise.all([kit.machine(id), kit.openVisitOf(id), kit.contested()]);
  const pictures = await photosOf(kit, id, view.photos);
  const disputes = contested.filter((one) => one.doc === id);
  const hours = view.state.hours;
  return {
    title: view.tag,
    back: view.property ? at('property', view.property) : '/round',
    body: [
      h('p', null, [view.description, view.property_name].filter(Boolean).join(' · ')),
      view.findings.map((one) => finding(context, id, one)),
      list(disputes.map((one) => h('a', { class: 'box warn', href: `#${at('slot', one.doc, JSON.stringify(one.slot))}` },
        h('strong', null, `${said.contested}: ${one.slot_words}`), one.readings.map((reading) => h('span', null, `${reading.words} (${reading.by})`)))), 'plain-list'),
      h('dl', { class: 'facts' },
        h('dt', null, said.due), h('dd', null, view.due_words || words.none),
        h('dt', null, said.hours), h('dd', null, hours ? `${words.hours(hours.meter_tenth_h)}, ${words.when(hours.at_ms)}` : said.noHours)),
      card(view),
      h('h2', null, said.valves),
      valves(view),
      pictures.length ? [h('h2', null, said.photos), pictures] : null,
      h('details', null, h('summary', null, said.history), list(view.history.map(past), 'history')),
    ],
    hand: [
      h('details', { class: 'more' }, h('summary', null, said.more), h('div', { class: 'choices' },
        link(said.readHours, at('hours', id), 'wide'), link(said.finding, at('finding', id), 'wide'), link(said.note, at('note', id, 'machine'), 'wide'),
        link(said.photo, at('photo', id), 'wide'), link(said.changeMeter, at('meter', id), 'wide'),
        open ? link(words.check.finish, at('finish', id), 'wide') : null)),
      open ? link(said.goOn, at('check', id), 'main') : link(said.begin, at('start', id), 'main'),
    ],
  };
}

function card(view) {
  return view.engine_card?.source ? h('p', { class: 'soft' }, view.engine_card_words) : h('p', { class: 'box warn' }, said.noCard);
}

/** What stands for each valve, stage by stage. */
function valves(view) {
  const names = [...new Set(view.lash.map((one) => one.valve))];
  const line = (one) => h('li', null, h('span', { class: 'stage' }, said.stage[one.stage]), ' ', one.words || said.noReading, ' ',
    one.judged ? mark(said.verdict(one.judged), one.judged.verdict) : null,
    one.gross ? mark(said.gross[one.gross], 'warn') : null,
    one.state === 'contested' ? mark(said.contested, 'warn') : null,
    one.state === 'recheck' ? mark(said.recheck, 'warn') : null);
  if (!names.length) return h('p', { class: 'soft' }, said.noReading);
  return list(names.map((name) => {
    const read = view.lash.filter((one) => one.valve === name && one.state !== 'empty');
    return [h('strong', { class: 'valve' }, name), read.length ? h('ul', { class: 'stages' }, read.map(line)) : h('span', { class: 'soft' }, said.noReading)];
  }), 'valves');
}

const past = (line) => h('div', { class: 'past' }, h('span', null, line.words),
  h('span', { class: 'soft' }, `${line.by} · ${words.when(line.at_ms)} · ${said.fate[line.fate] ?? line.fate} · ${line.at_shop ? said.atShop : said.here}`));

/** A finding, and clearing it with how that was done. */
function finding({ kit, redraw }, machine, one) {
  const how = h('input', { required: true, autocomplete: 'off' });
  const clearing = form([field(said.cleared, how)], said.clear, async () => {
    await kit.clearFinding(one.finding, how.value);
    await redraw();
  });
  const box = h('div', { class: one.grade === 'hold' ? 'box stop' : 'box warn' },
    h('strong', null, one.grade === 'hold' ? said.hold : said.watch), h('p', null, one.what));
  const open = button(said.clear, () => { open.replaceWith(clearing); how.focus(); });
  box.append(open);
  return box;
}
