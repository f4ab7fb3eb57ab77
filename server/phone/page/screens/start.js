// Before a visit, and before one is gone on with: holds, the cautions, each to be seen, all confirmed together with whether the engine is cold.

import { notesOf } from '../parts/notes.js';
import { readFirst } from '../parts/readfirst.js';
import { button, h, link } from '../ui.js';
import words from '../words/en.js';

const said = words.start;

/** Visits whose cautions were confirmed since this page was loaded: a page that is opened again says them again. */
const confirmed = new Set();

/** Said to be cold, and no longer so: it is asked again, also in the middle of a check. */
const expired = ({ engine }) => engine === 'too-long-ago' || engine === 'ran-since';

/** Whether the cautions, and whether the engine is cold, come before the next question of a check. */
export const comesFirst = (guide) => !confirmed.has(guide.visit) || expired(guide.cold);

/** What was found that forbids running the machine. */
export const holds = (findings) => findings.map((one) => h('p', { class: 'box stop' }, h('strong', null, `${said.hold}: `), one.what));

export async function show({ kit, at, go, status }, id) {
  const back = at('machine', id);
  if (!status.measures) {
    return { title: words.app, back, body: [h('p', { class: 'box warn' }, words.machine.officeNot)], hand: [link(words.back, back, 'wide')] };
  }
  const guide = (await kit.openVisitOf(id)) ? await kit.guide(id) : null;
  if (guide && !comesFirst(guide)) return go(at('check', id));
  const [{ cautions, deference }, view] = await Promise.all([kit.cautions(id), kit.machine(id)]);
  const asksCold = !guide || !!guide.cold_words;
  /** Opens the visit, or goes on with it. Where nothing new is said of the engine, only the cautions were to be seen. */
  const next = async (cold) => {
    const entry = { cold, cautions_confirmed: true };
    const { visit } = !guide ? await kit.openVisit(id, entry) : asksCold ? await kit.resumeVisit(id, entry) : guide;
    confirmed.add(visit);
    go(at('check', id));
  };
  const answers = asksCold
    ? h('div', { class: 'pair' }, button(said.isWarm, () => next(false), 'answer'), button(said.isCold, () => next(true), 'answer goes'))
    : button(said.confirm, () => next(), 'main');
  const end = h('span', { class: 'end' });
  const notes = await notesOf({ kit }, id, view.notes, null);
  return {
    title: said.cautions,
    ask: asksCold ? said.ask : said.askAgain,
    back,
    name: 'cautions',
    moves: false,
    body: [
      holds(view.findings.filter((one) => one.grade === 'hold')),
      notes,
      guide ? h('p', null, said.again) : null,
      guide?.cold_words ? h('p', { class: 'box warn' }, guide.cold_words) : null,
      h('ol', { class: 'cautions' }, cautions.map((one) => h('li', null, one))), end, h('p', { class: 'soft' }, deference),
    ],
    hand: [readFirst(end, answers)],
  };
}
