// One machine: what is the matter, hours, what stands for each valve, and what can be done with it.

import { notesOf } from '../parts/notes.js';
import { photosOf } from '../parts/pictures.js';
import { takeBack } from '../parts/takeback.js';
import { put, typed } from '../typed.js';
import { button, field, form, h, link, list, mark } from '../ui.js';
import words from '../words/en.js';

const said = words.machine;

export async function show(context, id) {
  const { kit, at, go, status, redraw } = context;
  const [view, mine, contested, own] = await Promise.all([kit.machine(id), kit.ownVisit(id), kit.contested(), kit.toTakeBack(id)]);
  const { visit: open = null, handed_over: handed = false } = mine ?? {};
  const takes = new Set(own);
  const pictures = await photosOf(kit, id, view.photos);
  const disputes = contested.filter((one) => one.doc === id);
  const hours = view.state.hours;
  const takeUp = () => button(said.takeUp, async () => {
    await kit.takeUp(id);
    go(at('check', id));
  }, 'wide');
  return {
    title: view.tag,
    back: view.property ? at('property', view.property) : '/round',
    body: [
      await notesOf(context, id, view.notes, view.more?.notes ? words.notes.older(view.more.notes) : null),
      view.provisional ? h('p', { class: 'box' }, said.provisional) : null,
      h('p', null, [view.description, view.property_name].filter(Boolean).join(' · ')),
      view.findings.map((one) => finding(context, id, one)),
      h('details', { class: 'more' }, h('summary', null, said.more), h('div', { class: 'choices' },
        link(said.symptom, at('symptom', id), 'wide'), link(said.readHours, at('hours', id), 'wide'), link(said.finding, at('finding', id), 'wide'), link(said.note, at('note', id, 'machine'), 'wide'),
        link(said.photo, at('photo', id), 'wide'), link(said.changeMeter, at('meter', id), 'wide'),
        open && !handed ? link(words.check.finish, at('finish', id), 'wide') : null)),
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
      handed ? h('p', null, said.handed) : null,
      !status.measures ? h('p', null, said.officeNot) : handed ? takeUp() : open ? link(said.goOn, at('check', id), 'main') : link(said.begin, at('start', id), 'main'),
    ].flat().filter(Boolean),
  };
}

function card(view) {
  return view.engine_card?.source ? h('p', { class: 'soft' }, view.engine_card_words) : h('p', { class: 'box warn' }, said.noCard);
}

/** Open visits of others. */
const othersOpen = (view, own) => view.visits.filter((one) => !one.finished_ms && one.visit !== own);

/** What was found, set and left, a row for each check, the latest first: what one visit found is not beside what another left. */
function valves({ checks, more }) {
  if (!checks.length) return h('p', { class: 'soft' }, said.noReading);
  const state = ({ visit, open }) => (visit ? (open ? said.visitOpen : said.finished) : said.noVisit);
  return [
    list(checks.map((check) => [h('strong', { class: 'visit-of' }, said.visit(words.when(check.at_ms), check.by, state(check))), check.valves.map(ofValve)]), 'valves'),
    more?.checks ? h('p', { class: 'soft' }, said.earlier(more.checks)) : null,
  ];
}

/** The readings of one valve in one check, stage by stage. */
function ofValve({ valve, ...stages }) {
  const line = (stage, one) => h('li', null, h('span', { class: 'stage' }, said.stage[stage]), ' ', one.words, ' ',
    one.judged ? mark(said.verdict(one.judged), one.judged.verdict) : null,
    one.gross ? mark(said.gross[one.gross], 'warn') : null,
    one.state === 'contested' ? mark(said.contested, 'warn') : null,
    one.state === 'recheck' ? mark(said.recheck, 'warn') : null);
  return h('div', { class: 'of-valve' }, h('strong', { class: 'valve' }, valve),
    h('ul', { class: 'stages' }, ['found', 'set', 'left'].filter((stage) => stages[stage]).map((stage) => line(stage, stages[stage]))));
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
