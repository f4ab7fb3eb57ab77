// Which screen the address names, and the way between screens. One screen at a time; a later one wins.

import * as enrol from './screens/enrol.js';
import * as round from './screens/round.js';
import * as property from './screens/property.js';
import * as machine from './screens/machine.js';
import * as slot from './screens/slot.js';
import * as start from './screens/start.js';
import * as check from './screens/check.js';
import * as hours from './screens/hours.js';
import * as meter from './screens/meter.js';
import * as finding from './screens/finding.js';
import * as note from './screens/note.js';
import * as photo from './screens/photo.js';
import * as finish from './screens/finish.js';
import * as leaves from './screens/leaves.js';
import * as status from './screens/status.js';
import words from './words/en.js';
import { calm, complain, h, link, visible } from './ui.js';

const SCREENS = { enrol, round, property, machine, slot, start, check, hours, meter, finding, note, photo, finish, leaves, status };
const FIRST = '/round';

let turn = 0;
/** The screen that is shown: what it wants to be drawn anew for. */
let shown = null;

/** Goes to a screen. */
export function go(path) {
  if (location.hash === `#${path}`) return draw();
  location.hash = path;
  return undefined;
}

const parts = () => location.hash.replace(/^#\/?/, '').split('/').filter(Boolean).map(decodeURIComponent);

/** The place of a screen as an address. */
export const at = (...steps) => `/${steps.map(encodeURIComponent).join('/')}`;

let context;

/** Draws the screen that the address names. */
export async function draw({ quietly = false } = {}) {
  const mine = ++turn;
  const { kit } = context;
  try {
    const status = await kit.status();
    let [name, ...given] = parts();
    if (!name && status.enrolled) {
      location.replace(`#${(await kit.remembered('where')) ?? FIRST}`);
      return;
    }
    if (!status.enrolled) [name, given] = ['enrol', name === 'enrol' ? given : []];
    else if (name === 'enrol' || !Object.hasOwn(SCREENS, name)) [name, given] = ['round', []];
    const screen = await SCREENS[name].show({ ...context, status, go, at, redraw: draw }, ...given);
    if (mine !== turn || !screen) return;
    lay(screen, quietly);
    if (status.enrolled) await kit.remember('where', at(name, ...given));
  } catch (error) {
    if (mine !== turn) return;
    // A place that is gone, as after a fresh enrolment, leads back to the round.
    complain(error);
    lay({ title: words.app, body: [link(words.finish.round, FIRST)] }, quietly);
  }
}

function lay({ title, back, body, hand, form, moves = true, name }, quietly) {
  const heading = h('h1', { tabindex: '-1' }, title);
  const way = back ? link(words.back, back, 'back') : null;
  const rest = form ?? [h('div', { class: 'body' }, body ?? []), hand?.length ? h('div', { class: 'hand' }, hand) : null];
  const main = document.getElementById('screen');
  main.className = name ?? '';
  main.replaceChildren(h('div', { class: 'top' }, way, heading), ...[rest].flat().filter(Boolean));
  document.title = visible(`${title} · ${words.app}`);
  shown = { moves };
  if (quietly) return;
  calm();
  window.scrollTo(0, 0);
  // A question that follows on another is what is read aloud, not the heading again.
  (main.querySelector('[data-focus]') ?? heading).focus({ preventScroll: true });
  for (const one of main.querySelectorAll('[data-middle]')) one.scrollIntoView({ block: 'nearest', inline: 'center' });
}

/** Something moved in the book: the screen is drawn anew, unless a person is in the middle of answering it. */
export function moved() {
  if (shown?.moves) draw({ quietly: true });
}

/** Begins. */
export function begin(given) {
  context = given;
  window.addEventListener('hashchange', () => { draw(); });
  return draw();
}
