// One machine: what is the matter, hours, what stands for each valve, and what can be done with it.

import { notesOf } from '../parts/notes.js';
import { photosOf } from '../parts/pictures.js';
import { takeBack } from '../parts/takeback.js';
import { put, typed } from '../typed.js';
import { button, field, form, h, link, list, mark } from '../ui.js';
import words from '../words/en.js';

const said = words.machine;

export async function show(context, id) {
  const { kit, at, status, redraw } = context;
  const [view, open, contested, own] = await Promise.all([kit.machine(id), kit.openVisitOf(id), kit.contested(), kit.toTakeBack(id)]);
  const takes = new Set(own);
  const pictures = await photosOf(kit, id, view.photos);
  const disputes = contested.filter((one) => one.doc === id);
  const hours = view.state.hours;
  return {
    title: view.tag,
    back: view.property ? at('property', view.property) : '/round',
    body: [
      await notesOf(context, id, view.notes, view.more?.notes ? words.notes.older(view.more.notes) : null),
      view.provisional ? h('p', { class: 'box' }, said.provisional) : null,
      h('p', null, [view.description, view.property_name].filter(Boolean).join(' · ')),
      view.findings.map((one) => finding(context, id, one)),
      h('details', { class: 'more' }, h('summary', null, said.more), h('div', { class: 'choices' },
        link(said.readHours, at('hours', id), 'wide'), link(said.finding, at('finding', id), 'wide'), link(said.note, at('note', id, 'machine'), 'wide'),
        link(said.photo, at('photo', id), 'wide'), link(said.changeMeter, at('meter', id), 'wide'),
        open ? link(words.check.finish, at('finish', id), 'wide') : null)),
      list(disputes.map((one) => h('a', { class: 'box warn', href: `#${at('slot', one.doc, JSON.stringify(one.slot))}` },
        h('strong', null, `${said.contested}: ${one.slot_words}`), one.readings.map((reading) => h('span', null, `${reading.words} (${reading.by})`)))), 'plain-list'),
      h('dl', { class: 'facts' },
        h('dt', null, said.due), h('dd', null, view.due_words || words.none),
        h('dt', null, said.hours), h('dd', null, hours ? `${words.hours(hours.meter_tenth_h)}, ${words.when(hours.at_ms)}` : said.noHours)),
      card(view),
      h('h2', null, said.valves),
      valves(view),
      pictures.length ? [h('h2', null, said.photos), pictures] : null,
      h('details', null, h('summary', null, said.history), list(view.history.map((line) => past(line, takes.has(line.record) && line.fate !== 'voided' ? takeBack(kit, line.record, redraw) : null)), 'history')),
    ],
    hand: [
      status.signs_off ? othersOpen(view, open).map((one) => link(said.signOff(one.by_name), at('finish', id, 'of', one.visit), 'wide')) : null,
      !status.measures ? h('p', null, said.officeNot) : open ? link(said.goOn, at('check', id), 'main') : link(said.begin, at('start', id), 'main'),
    ].flat().filter(Boolean),
  };
}

function card(view) {
  return view.engine_card?.source ? h('p', { class: 'soft' }, view.engine_card_words) : h('p', { class: 'box warn' }, said.noCard);
}

/** Open visits of others. */
const othersOpen = (view, own) => view.visits.filter((one) => !one.finished_ms && one.visit !== own);

/** What stands for each valve, a row for each visit in which it was read, the latest first: what one visit found is not beside what another
 * left. */
function valves(view) {
  const stands = view.lash.filter((one) => one.state !== 'empty');
  if (!stands.length) return h('p', { class: 'soft' }, said.noReading);
  const of = (visit) => stands.filter((one) => (one.visit ?? null) === visit);
  const state = (visit) => (visit.finished_ms ? said.finished : said.visitOpen);
  const rows = view.visits.map((visit) => [said.visit(words.when(visit.at_ms), visit.by_name, state(visit)), of(visit.visit)]);
  const known = new Set(view.visits.map((visit) => visit.visit));
  rows.push([said.noVisit, stands.filter((one) => !known.has(one.visit))]);
  return list(rows.filter(([, lines]) => lines.length).map(([title, lines]) => [h('strong', { class: 'visit-of' }, title), byValve(lines)]), 'valves');
}

/** The readings of one visit, valve by valve, stage by stage. */
function byValve(lines) {
  const line = (one) => h('li', null, h('span', { class: 'stage' }, said.stage[one.stage]), ' ', one.words || said.noReading, ' ',
    one.judged ? mark(said.verdict(one.judged), one.judged.verdict) : null,
    one.gross ? mark(said.gross[one.gross], 'warn') : null,
    one.state === 'contested' ? mark(said.contested, 'warn') : null,
    one.state === 'recheck' ? mark(said.recheck, 'warn') : null);
  return [...new Set(lines.map((one) => one.valve))].map((name) => h('div', { class: 'of-valve' }, h('strong', { class: 'valve' }, name),
    h('ul', { class: 'stages' }, lines.filter((one) => one.valve === name).map(line))));
}

const past = (line, back) => h('div', { class: 'past' }, h('span', null, line.words),
  h('span', { class: 'soft' }, `${line.by} · ${words.when(line.at_ms)} · ${said.fate[line.fate] ?? line.fate} · ${line.at_shop ? said.atShop : said.here}`), back);

/** A finding, and clearing it with how that was done. */
function finding({ kit, redraw }, machine, one) {
  const how = h('input', { name: `how-${one.finding}`, required: true, autocomplete: 'off' });
  const clearing = form([field(said.cleared, how)], said.clear, async () => {
    await kit.clearFinding(one.finding, how.value);
    put(how.name, '');
    await redraw();
  });
  const box = h('div', { class: one.grade === 'hold' ? 'box stop' : 'box warn' },
    h('strong', null, one.grade === 'hold' ? said.hold : said.watch), h('p', null, one.what));
  const open = button(said.clear, () => { open.replaceWith(clearing); how.focus(); });
  // Half said before: it is open as it was left.
  box.append(typed(how.name) ? clearing : open);
  return box;
}
