// Every valve has been through, or waits: read one again, add something, finish.

import { strip } from '../screens/check.js';
import { button, h, link, list } from '../ui.js';
import words from '../words/en.js';

const said = words.check;

export function show(here) {
  const { guide, turn, at, machine } = here;
  const wait = guide.valves.filter((one) => one.step === 'read-again' || one.step === 'set-to-aim');
  const label = (one) => (one.step === 'set-to-aim' ? said.toAim(one.valve) : said.again(one.valve));
  return {
    title: wait.length ? said.restWait : said.rest,
    back: at('machine', machine),
    moves: false,
    name: 'check',
    body: [strip(here, null), guide.open.length ? list(guide.open, 'box warn') : h('p', { class: 'box good' }, words.finish.nothing),
      h('div', { class: 'choices' }, wait.map((one) => button(label(one), () => turn({ valve: one.valve, piston: null }), 'wide')))],
    hand: [
      guide.hours_read ? null : button(words.machine.readHours, () => turn({ hoursLater: false }), 'wide'),
      h('div', { class: 'pair' }, link(words.machine.finding, at('finding', machine), 'wide'), link(words.machine.photo, at('photo', machine), 'wide')),
      link(said.finish, at('finish', machine), 'main'),
    ].flat().filter(Boolean),
  };
}
