// One leaf at a time: goes, or does not go. The kit says which to try and when it is enough; the person may try another.

import { bracket } from '../parts/bracket.js';
import { strip } from '../screens/check.js';
import { button, h } from '../ui.js';
import words from '../words/en.js';

const said = words.check;
const single = (leaf) => ({ thickness_tenth_um: leaf, leaves_tenth_um: [leaf] });

export async function show(here) {
  const { kit, guide, valve, stage, tried, trying, turn, lengths, at, machine } = here;
  const view = await kit.trial(machine, valve.valve, tried);
  const offered = view.next.ask === 'try' ? view.next.leaf.feeler : null;
  const enough = view.next.ask === 'enough';
  let chosen = offered;

  /** Remembered before it is shown: a closed tab leads back to here. */
  const answer = async (goes) => {
    if (!chosen) return;
    const more = [...tried, { feeler: chosen, goes }];
    // The kit refuses what contradicts the answers before it; then nothing is remembered.
    await kit.trial(machine, valve.valve, more);
    await turn({ trials: trying(more), valve: valve.valve });
  };
  const keep = async () => {
    const started = performance.now();
    await kit.takeReading(machine, {
      valve: valve.valve, stage, go_tenth_um: view.go_tenth_um, no_go_tenth_um: view.no_go_tenth_um, leaves_tenth_um: view.leaves_tenth_um,
      adjusted: stage === 'set',
    });
    performance.measure('kept', { start: started, end: performance.now() });
    await turn({ trials: trying([]), valve: null, confirmed: null, said: valve.valve });
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

  const pair = h('div', { class: 'pair', hidden: enough }, goesNot, goes);
  const row = await leafRow(here, offered, (feeler) => {
    chosen = feeler;
    pair.hidden = false;
    return label(feeler);
  });
  row.hidden = enough;
  const other = button(said.other, () => { row.hidden = false; other.remove(); }, 'wide');
  return {
    title: said.title(guide.tag, valve.valve, words.machine.stage[stage]),
    back: at('machine', machine),
    moves: false,
    name: 'check leaf-step',
    body: [
      strip(here, valve.valve),
      h('p', { class: 'ask', tabindex: '-1', 'data-focus': true }, enough ? said.keepThis : view.question),
      await bracket(view, lengths),
      view.judged && enough ? h('p', { class: `verdict ${view.judged.verdict}` }, words.machine.verdict(view.judged)) : null,
    ],
    hand: [
      row,
      h('div', { class: 'pair' },
        tried.length ? button(said.undo, () => turn({ trials: trying(tried.slice(0, -1)) }), 'wide') : null,
        enough ? other : null,
        !enough && view.bracket ? button(said.keepNow, keep, 'wide') : null),
      enough ? button(said.keep, keep, 'main') : null, pair,
    ].filter(Boolean),
  };
}

/** The person's own leaves in one row, the one that the kit offers in the middle. */
async function leafRow({ lengths, tried }, offered, pick) {
  const answered = new Map(tried.map(({ feeler, goes }) => [feeler.thickness_tenth_um, goes]));
  const feelers = lengths.leaves.map(single);
  if (offered && offered.leaves_tenth_um.length > 1) feelers.push(offered);
  feelers.sort((a, b) => a.thickness_tenth_um - b.thickness_tenth_um || a.leaves_tenth_um.length - b.leaves_tenth_um.length);
  const row = h('div', { class: 'leaf-row', role: 'group', 'aria-label': said.leaves });
  const same = (feeler) => offered && JSON.stringify(feeler) === JSON.stringify(offered);
  for (const feeler of feelers) {
    const name = await lengths.feeler(feeler);
    const went = answered.get(feeler.thickness_tenth_um);
    const tap = h('button', {
      type: 'button', class: `leaf${went === undefined ? '' : went ? ' went' : ' went-not'}`, 'aria-pressed': String(!!same(feeler)),
      'aria-label': [said.chosen(name), went === undefined ? '' : went ? said.went(name) : said.wentNot(name)].filter(Boolean).join(', '),
      'data-middle': same(feeler),
    }, name);
    tap.addEventListener('click', () => {
      for (const one of row.querySelectorAll('.leaf')) one.setAttribute('aria-pressed', String(one === tap));
      pick(feeler);
    });
    row.append(tap);
  }
  return row;
}
