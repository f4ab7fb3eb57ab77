// Which screen the address names, and the way between screens. One screen at a time; a later one wins.
//
// The rule of the way: a link leads on, and Back comes back from it. What is done is replaced by what follows, so that Back never leads
// into it, and a question that follows on another has the same address.

import * as enrol from './screens/enrol.js';
import * as round from './screens/round.js';
import * as machines from './screens/machines.js';
import * as property from './screens/property.js';
import * as unlisted from './screens/unlisted.js';
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
import * as scan from './screens/scan.js';
import * as symptom from './screens/symptom.js';
import * as status from './screens/status.js';
import { forget, keepTyped, restore } from './typed.js';
import words from './words/en.js';
import { calm, complain, h, isDamaged, link, scroller, visible } from './ui.js';

const SCREENS = {
  enrol, round, machines, property, unlisted, machine, slot, start, check, hours, meter, finding, note, photo, finish, leaves, scan, status, symptom,
};
const FIRST = '/round';
/** Where a list was scrolled to is noted so long after it rests. */
const RESTS_MS = 150;

let turn = 0;
/** The screen that is shown: whether it is drawn again when something moves, and how. */
let shown = null;
/** The address that was shown last: where a new entry of the history comes from. */
let last = null;
let context;

const path = () => location.hash.replace(/^#/, '');
const parts = () => path().replace(/^\/?/, '').split('/').filter(Boolean).map(decodeURIComponent);

/** The place of a screen as an address. */
export const at = (...steps) => `/${steps.map(encodeURIComponent).join('/')}`;

/** Leaves a screen that is done for another. Where it came from that other one, it goes back there. */
export function go(to) {
  forget();
  if (path() !== to && history.state?.from === to) {
    history.back();
    return undefined;
  }
  history.replaceState({ from: history.state?.from ?? null }, '', `#${to}`);
  return draw();
}

/** The way back: to where the person was, with the list as it was; where this page was opened here, to what is above this screen. */
function wayBack(to) {
  const way = link(words.back, to, 'back');
  way.addEventListener('click', (event) => {
    if (!history.state?.from) return;
    event.preventDefault();
    history.back();
  });
  return way;
}

/** Draws the screen that the address names. */
export async function draw({ quietly = false } = {}) {
  const mine = ++turn;
  const { kit } = context;
  try {
    const state = await kit.status();
    if (state.time_zone) words.zone(state.time_zone);
    let [name, ...given] = parts();
    if (!name && state.enrolled) {
      history.replaceState(history.state, '', `#${(await kit.remembered('where')) ?? FIRST}`);
      return draw({ quietly });
    }
    if (!state.enrolled) [name, given] = ['enrol', name === 'enrol' ? given : []];
    else if (name === 'enrol' || !Object.hasOwn(SCREENS, name)) [name, given] = ['round', []];
    const screen = await SCREENS[name].show({ ...context, status: state, go, at, redraw: draw }, ...given);
    if (mine !== turn || !screen || isDamaged()) return undefined;
    if (!history.state) history.replaceState({ from: last }, '');
    last = path();
    lay(screen, quietly);
    if (state.enrolled) await kit.remember('where', at(name, ...given));
  } catch (error) {
    if (mine !== turn) return undefined;
    // A place that is gone, as after a fresh enrolment, leads back to the round.
    complain(error);
    if (isDamaged()) return undefined;
    lay({ title: words.app, body: [link(words.finish.round, FIRST)] }, quietly);
  }
  return undefined;
}

/** Puts a screen up: what it is and what is asked, always in sight; what is to be looked at, which scrolls; what is tapped. */
function lay({ title, ask, back, body, hand, form, moves = true, refresh, name, begin: started }, quietly) {
  const main = document.getElementById('screen');
  const before = scroller()?.scrollTop ?? 0;
  const heading = h('h1', { tabindex: '-1' }, title);
  const asked = ask ? h('p', { class: 'ask', tabindex: '-1', 'data-focus': true }, ask) : null;
  const rest = form ?? [h('div', { class: 'body', tabindex: '0' }, body ?? []), hand?.length ? h('div', { class: 'hand' }, hand) : null];
  main.className = name ?? '';
  main.replaceChildren(h('div', { class: 'top' }, back ? wayBack(back) : null, heading, asked), ...[rest].flat().filter(Boolean));
  document.title = visible(`${title} · ${words.app}`);
  shown = { moves, refresh };
  restore(main);
  const scrolls = scroller();
  if (scrolls) scrolls.scrollTop = quietly ? before : history.state?.y ?? 0;
  toMiddle();
  if (quietly) return;
  started?.();
  calm();
  // A question that follows on another is what is read aloud, not the heading again.
  (main.querySelector('[data-focus]') ?? heading).focus({ preventScroll: true });
}

/** In a row that scrolls by itself, what is needed is in sight. */
function toMiddle() {
  for (const one of document.querySelectorAll('[data-middle]')) one.scrollIntoView({ block: 'nearest', inline: 'center' });
}

/** Notes where what scrolls is scrolled to, once it rests or something is tapped: a link is left at once. */
function follow(main) {
  let resting;
  const note = (mine) => {
    if (path() === mine && scroller()) history.replaceState({ ...history.state, y: scroller().scrollTop }, '');
  };
  main.addEventListener('scroll', ({ target }) => {
    if (target !== scroller()) return;
    clearTimeout(resting);
    const mine = path();
    resting = setTimeout(() => { note(mine); }, RESTS_MS);
  }, { capture: true, passive: true });
  main.addEventListener('click', () => { note(path()); }, { capture: true });
}

/** Something moved in the book: the screen is drawn anew, unless a person is in the middle of answering it. */
export async function moved() {
  if (shown?.refresh) await shown.refresh();
  else if (shown?.moves) await draw({ quietly: true });
}

/** Begins. */
export function begin(given) {
  context = given;
  history.scrollRestoration = 'manual';
  keepTyped(document.getElementById('screen'));
  follow(document.getElementById('screen'));
  window.addEventListener('resize', toMiddle);
  window.addEventListener('hashchange', () => { draw(); });
  return draw();
}
