// What is to be so before the leaves are tried: the piston's place, the adjuster turned and locked, the engine turned over.

import { angle } from '../parts/angle.js';
import { engine, stroke } from '../parts/engine.js';
import { lesson } from '../parts/lesson.js';
import { readFirst } from '../parts/readfirst.js';
import { keptLine, strip } from '../screens/check.js';
import { button, h } from '../ui.js';
import words from '../words/en.js';

const said = words.check;

/** The question that is open before this valve's leaves; nothing where all is confirmed. */
export async function question(here) {
  const { guide, valve, stage, draft, turn, at, machine } = here;
  const key = `${valve.valve} ${valve.step} ${valve.last?.record ?? ''}`;
  const around = {
    title: said.title(guide.tag, valve.valve, words.machine.stage[stage]), back: at('machine', machine), moves: false, name: 'check',
  };
  const asks = valve.confirm && draft.confirmed !== key;
  if (draft.piston !== valve.piston && (valve.piston_first || !asks)) {
    return {
      ...around,
      ask: valve.piston,
      body: [stroke(guide.card), engine(guide, valve.valve), strip(here, valve.valve), await lesson(here, 'top-dead-center')],
      hand: [keptLine(here), button(said.there, () => turn({ piston: valve.piston }), 'main')].filter(Boolean),
    };
  }
  if (asks) {
    const { last } = valve;
    const adjust = valve.step === 'adjust';
    // To turn the engine over is also to bring the piston back.
    const done = button(said.confirmed, () => turn({ confirmed: key, valve: valve.valve, piston: valve.piston }), 'main');
    const end = h('span', { class: 'end' });
    return {
      ...around,
      ask: `${valve.confirm[0].toUpperCase()}${valve.confirm.slice(1)}`,
      body: [
        valve.cautions.length ? [h('ul', { class: 'cautions' }, valve.cautions.map((one) => h('li', null, one))), end] : null,
        adjust && last.turn ? angle(last.turn) : null, last.next.map((sentence) => h('p', { class: 'next' }, sentence)), strip(here, valve.valve),
        await lesson(here, adjust || valve.step === 'set-to-aim' ? 'lock-nut' : 'top-dead-center')],
      hand: [keptLine(here), valve.cautions.length ? readFirst(end, done) : done].filter(Boolean),
    };
  }
  return null;
}
