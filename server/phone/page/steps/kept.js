// A reading is kept that wants a look: the verdict in one word, and what to do next.

import { bracket } from '../parts/bracket.js';
import { keptLine, strip } from '../screens/check.js';
import { button, h, link, say } from '../ui.js';
import words from '../words/en.js';

const said = words.check;

export async function show(here, valve) {
  const { guide, turn, lengths, at, machine } = here;
  const { last } = valve;
  const verdict = last.judged?.verdict ?? 'none';
  const goOn = () => turn({ said: null, valve: null });
  // All valves are found before one is set: until then the way on comes first.
  const finding = guide.valves.some((one) => one.step === 'read' && one.stage === 'found');
  const aim = valve.step === 'set-to-aim' && !finding;
  const sentences = last.next.map((sentence) => h('p', { class: 'next' }, sentence));
  say([last.verdict, ...last.next].join('. '));
  return {
    title: said.title(guide.tag, valve.valve, words.machine.stage[valve.last_stage]),
    back: at('machine', machine),
    moves: false,
    name: 'check kept',
    body: [
      h('p', { class: `verdict ${verdict}`, tabindex: '-1', 'data-focus': true }, last.verdict),
      // What is far off says first what not to do: on a small screen the drawing would push it below the fold.
      last.gross ? sentences : null,
      await bracket({ ...last, go_tenth_um: last.bracket.go_tenth_um ?? null, no_go_tenth_um: last.bracket.no_go_tenth_um ?? null }, lengths),
      last.gross ? null : sentences,
      last.doubt ? h('p', { class: 'box warn' }, last.doubt) : null,
      last.contested ? h('p', { class: 'box warn' }, said.contested, ' ', link(said.look, at('machine', machine))) : null,
      h('p', { class: 'soft' }, said.kept),
      strip(here, valve.valve),
    ],
    hand: [
      keptLine(here),
      last.gross === 'nothing-goes' ? link(said.hold, at('finding', machine), 'wide') : null,
      aim ? button(said.toAim(valve.valve), () => turn({ said: null, valve: valve.valve }), 'main') : null,
      aim ? button(said.leaveIt, goOn, 'wide') : button(said.goOn, goOn, 'main'),
    ].filter(Boolean),
  };
}
