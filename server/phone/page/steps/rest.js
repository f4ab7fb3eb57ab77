// Every valve has been through, or waits: set one to the aim, read one again, add something. Where nothing is left open, finish at once.

import { keptLine, strip } from '../screens/check.js';
import { finishing } from '../screens/finish.js';
import { button, h, link, list } from '../ui.js';
import words from '../words/en.js';

const said = words.check;

export function show(here) {
  const { guide, turn, at, machine } = here;
  const aims = guide.valves.filter((one) => one.step === 'set-to-aim');
  const again = guide.valves.filter((one) => one.step === 'read-again');
  const to = (one, label, look) => button(label(one.valve), () => turn({ valve: one.valve, piston: null }), look);
  const [first, ...later] = aims;
  const finish = guide.open.length || first || again.length ? null : finishing(here, machine);
  return {
    title: first ? said.restAim : again.length ? said.restWait : said.rest,
    back: at('machine', machine),
    moves: false,
    name: 'check',
    body: [
      guide.open.length ? list(guide.open, 'box warn') : h('p', { class: 'box good' }, words.finish.nothing),
      h('div', { class: 'choices' }, later.map((one) => to(one, said.toAim, 'wide')), again.map((one) => to(one, said.again, 'wide'))),
      finish?.fields, strip(here, null),
    ],
    hand: [
      keptLine(here),
      first ? to(first, said.toAim, 'main') : null,
      guide.hours_read ? null : button(words.machine.readHours, () => turn({ hoursLater: false }), 'wide'),
      h('div', { class: 'pair' }, link(words.machine.finding, at('finding', machine), 'wide'), link(words.machine.photo, at('photo', machine), 'wide')),
      finish ? finish.tap : link(said.finish, at('finish', machine), first ? 'wide' : 'main'),
    ].flat().filter(Boolean),
  };
}
