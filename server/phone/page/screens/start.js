// Before a visit, and before one is gone on with: holds, the cautions, each to be seen, all confirmed; then whether the engine is cold.

import { button, h } from '../ui.js';
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

export async function show(context, id) {
  const { kit, at, go } = context;
  const guide = (await kit.openVisitOf(id)) ? await kit.guide(id) : null;
  if (guide && !comesFirst(guide)) return go(at('check', id));
  const [{ cautions, deference }, view] = await Promise.all([kit.cautions(id), kit.machine(id)]);
  const next = () => {
    if (!guide || guide.cold_words) return cold(context, id, guide);
    confirmed.add(guide.visit);
    return go(at('check', id));
  };
  return {
    title: said.cautions,
    back: at('machine', id),
    name: 'cautions',
    moves: false,
    body: [
      holds(view.findings.filter((one) => one.grade === 'hold')),
      guide ? h('p', null, said.again) : null,
      h('ol', { class: 'cautions' }, cautions.map((one) => h('li', null, one))), h('p', { class: 'soft' }, deference),
    ],
    hand: [button(said.confirm, next, 'main')],
  };
}

/** The next question, on the same address: where it is left, the cautions are shown again. */
function cold({ kit, at, go }, id, guide) {
  const say = async (isCold) => {
    const entry = { cold: isCold, cautions_confirmed: true };
    const { visit } = await (guide ? kit.resumeVisit(id, entry) : kit.openVisit(id, entry));
    confirmed.add(visit);
    go(at('check', id));
  };
  const main = document.getElementById('screen');
  const heading = h('h1', { tabindex: '-1' }, said.cold);
  main.replaceChildren(h('div', { class: 'top' }, h('a', { class: 'back', href: `#${at('machine', id)}` }, words.back), heading),
    h('div', { class: 'body' }, guide ? h('p', { class: 'box warn' }, guide.cold_words) : null, h('p', null, said.coldHint)),
    h('div', { class: 'hand pair' }, button(said.isWarm, () => say(false), 'answer'), button(said.isCold, () => say(true), 'answer')));
  heading.focus();
}
