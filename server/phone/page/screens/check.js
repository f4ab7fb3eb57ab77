// The guided check: which question is next. What is to be done is the kit's; where the person is among it is the draft's.

import * as drafts from '../draft.js';
import { words as lengthsIn } from '../parts/lengths.js';
import * as kept from '../steps/kept.js';
import * as leaf from '../steps/leaf.js';
import * as ready from '../steps/ready.js';
import * as rest from '../steps/rest.js';
import { button, h, mark } from '../ui.js';
import words from '../words/en.js';
import { ask as askHours } from './hours.js';
import { comesFirst, holds } from './start.js';

export async function show(context, machine) {
  const { kit, at, go, redraw } = context;
  if (!(await kit.openVisitOf(machine))) return go(at('machine', machine));
  const guide = await kit.guide(machine);
  if (comesFirst(guide)) return go(at('start', machine));
  const draft = await drafts.load(kit, machine, guide.visit);
  /** Remembers what changed, and draws the next question. */
  const turn = async (change) => {
    await drafts.save(kit, machine, { ...draft, ...change });
    await redraw();
  };
  if (!guide.hours_read && !draft.hoursLater) {
    return askHours(context, machine, { after: redraw, later: () => turn({ hoursLater: true }) });
  }
  const here = { ...context, machine, guide, draft, turn, lengths: await lengthsIn(kit) };
  const said = guide.valves.find((one) => one.valve === draft.said && one.last);
  if (said) return kept.show(here, said);
  const valve = guide.valves.find((one) => one.valve === (draft.valve ?? guide.next));
  if (!valve) return rest.show(here);
  const stage = valve.reads_at;
  const trial = `${valve.valve} ${stage}`;
  /** The leaves tried on this valve at this stage; each valve keeps its own. */
  const tried = draft.trials[trial] ?? [];
  const trying = (next) => ({ ...draft.trials, [trial]: next });
  const open = { ...here, valve, stage, tried, trying };
  return (await ready.question(open)) ?? leaf.show(open);
}

/** The reading that was kept last, said in a line, and taken back in one tap: its leaves but the last one are as they were. Nothing where it
 * is not the last of its valve any more. */
export function keptLine({ kit, guide, draft, turn }) {
  const { kept } = draft;
  const last = kept && guide.valves.find((one) => one.valve === kept.valve)?.last;
  if (!last || last.record !== kept.record) return null;
  const back = button(words.check.takeBack, async () => {
    await kit.void(kept.record, words.check.slip);
    await turn({
      kept: null, said: null, valve: kept.valve, confirmed: kept.confirmed,
      trials: { ...draft.trials, [`${kept.valve} ${kept.stage}`]: kept.tried.slice(0, -1) },
    });
  });
  return h('div', { class: 'kept-line' }, h('span', null, words.check.keptLine(kept.valve, last.verdict)), back);
}

/** What forbids running the machine, and the valves of the engine with where each is, in one line: a tap goes to one out of turn. */
export function strip({ guide, turn }, now) {
  const list = document.createElement('ul');
  list.className = 'strip';
  list.setAttribute('aria-label', words.check.valves);
  for (const one of guide.valves) {
    const judged = one.last?.judged?.verdict;
    const word = one.last ? one.last.verdict : words.check.todo;
    const tap = document.createElement('button');
    tap.type = 'button';
    tap.className = 'valve-tab';
    if (one.valve === now) tap.setAttribute('aria-current', 'step');
    tap.append(one.valve, ' ', mark(word, judged ?? 'none'));
    tap.addEventListener('click', () => {
      if (one.valve !== now) turn({ valve: one.valve, said: null });
    });
    const line = document.createElement('li');
    line.append(tap);
    list.append(line);
  }
  return [holds(guide.holds), list];
}
