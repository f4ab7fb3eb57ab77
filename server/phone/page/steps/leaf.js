// One leaf at a time: goes, or does not go. The kit says which to try and when it is enough; the person may try another. What settles the
// valve is kept at once, and can be taken back in one tap.

import { bracket } from '../parts/bracket.js';
import { engine } from '../parts/engine.js';
import { lesson } from '../parts/lesson.js';
import { keptLine, strip } from '../screens/check.js';
import { button, complain, h, say } from '../ui.js';
import words from '../words/en.js';

const said = words.check;
const single = (leaf) => ({ thickness_tenth_um: leaf, leaves_tenth_um: [leaf] });

/** Whether the kit has a verdict, and wants no other leaf. */
const settled = ({ next, judged }) => next.ask === 'enough' && judged && judged.verdict !== 'not-settled';
/** Whether a kept reading has more to say than a line. What is tight or loose says what to do when its turn to be set has come. */
const wantsLook = (kept) => !settled({ ...kept, next: { ask: 'enough' } }) || kept.gross || kept.doubt || kept.contested;
/** Where the kit asks which leaf is the first that goes, or does not: to pick it is to answer. */
const ANSWERS = { 'how-tight': true, 'how-loose': false };

export async function show(here) {
  const { kit, guide, valve, stage, draft, tried, trying, turn, lengths, at, machine } = here;
  const view = await kit.trial(machine, valve.valve, tried);
  const offered = view.next.ask === 'try' ? view.next.leaf.feeler : null;
  const enough = view.next.ask === 'enough';
  let chosen = offered;

  const keep = async (trial, leaves) => {
    const started = performance.now();
    const kept = await kit.takeReading(machine, {
      valve: valve.valve, stage, go_tenth_um: trial.go_tenth_um, no_go_tenth_um: trial.no_go_tenth_um, leaves_tenth_um: trial.leaves_tenth_um,
      adjusted: stage === 'set',
    });
    performance.measure('kept', { start: started, end: performance.now() });
    say(said.keptLine(valve.valve, kept.verdict));
    await turn({
      trials: trying([]), valve: null, confirmed: null, said: wantsLook(kept) ? valve.valve : null,
      kept: { valve: valve.valve, stage, record: kept.record, tried: leaves, confirmed: draft.confirmed },
    });
  };
  /** Remembered before it is shown: a closed tab leads back to here. */
  const answer = async (goes) => {
    if (!chosen) return;
    const more = [...tried, { feeler: chosen, goes }];
    // The kit refuses what contradicts the answers before it; then nothing is remembered.
    const trial = await kit.trial(machine, valve.valve, more);
    if (settled(trial)) await keep(trial, more);
    else await turn({ trials: trying(more), valve: valve.valve });
  };

  const goes = button(said.goes, () => answer(true), 'answer goes');
  const goesNot = button(said.goesNot, () => answer(false), 'answer');
  const label = async (feeler) => {
    const name = feeler ? await lengths.feeler(feeler) : null;
    goes.setAttribute('aria-label', name ? said.leafGoes(name) : said.pick(said.goes));
    goesNot.setAttribute('aria-label', name ? said.leafNot(name) : said.pick(said.goesNot));
    for (const one of [goes, goesNot]) one.classList.toggle('waits', !name);
  };
  await label(chosen);

  const pair = h('div', { class: 'pair', hidden: enough || view.next.ask in ANSWERS }, goesNot, goes);
  const row = await leafRow(here, offered, (feeler) => {
    chosen = feeler;
    if (view.next.ask in ANSWERS) return answer(ANSWERS[view.next.ask]).catch(complain);
    pair.hidden = false;
    return label(feeler);
  });
  row.hidden = enough;
  const other = button(said.other, () => { row.hidden = false; other.remove(); }, 'wide');
  return {
    title: said.title(guide.tag, valve.valve, words.machine.stage[stage]),
    ask: enough ? said.keepThis : view.question,
    back: at('machine', machine),
    moves: false,
    name: 'check leaf-step',
    body: [
      view.judged && enough ? h('p', { class: `verdict ${view.judged.verdict}` }, words.machine.verdict(view.judged)) : null,
      await bracket(view, lengths),
      strip(here, valve.valve),
      h('details', null, h('summary', null, words.engine.which(valve.valve)), engine(guide, valve.valve)),
      await lesson(here, 'leaf'),
    ],
    hand: [
      tried.length ? null : keptLine(here),
      row,
      h('div', { class: 'pair' },
        tried.length ? button(said.undo, () => turn({ trials: trying(tried.slice(0, -1)) }), 'wide') : null,
        enough ? other : null,
        !enough && view.bracket ? button(said.keepNow, () => keep(view, tried), 'wide') : null),
      enough ? button(said.keep, () => keep(view, tried), 'main') : null, pair,
    ].filter(Boolean),
  };
}

/** The person's own leaves in one row, the one that is needed in the middle: which the kit offers or, where it offers none, the last that
 * was tried, beside which the missing one is. */
async function leafRow({ lengths, tried }, offered, pick) {
  const answered = new Map(tried.map(({ feeler, goes }) => [feeler.thickness_tenth_um, goes]));
  const feelers = lengths.leaves.map(single);
  if (offered && offered.leaves_tenth_um.length > 1) feelers.push(offered);
  feelers.sort((a, b) => a.thickness_tenth_um - b.thickness_tenth_um || a.leaves_tenth_um.length - b.leaves_tenth_um.length);
  const row = h('div', { class: 'leaf-row', role: 'group', 'aria-label': said.leaves });
  const same = (feeler, other) => other && JSON.stringify(feeler) === JSON.stringify(other);
  const needed = offered ?? tried.at(-1)?.feeler;
  for (const feeler of feelers) {
    const name = await lengths.feeler(feeler);
    const went = answered.get(feeler.thickness_tenth_um);
    const tap = h('button', {
      type: 'button', class: `leaf${went === undefined ? '' : went ? ' went' : ' went-not'}`, 'aria-pressed': String(!!same(feeler, offered)),
      'aria-label': [said.chosen(name), went === undefined ? '' : went ? said.went(name) : said.wentNot(name)].filter(Boolean).join(', '),
      'data-middle': same(feeler, needed),
    }, name);
    tap.addEventListener('click', () => {
      for (const one of row.querySelectorAll('.leaf')) one.setAttribute('aria-pressed', String(one === tap));
      pick(feeler);
    });
    row.append(tap);
  }
  return row;
}
