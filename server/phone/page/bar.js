// The bar that is always there: what is on this phone alone, what the shop has, when they last exchanged, and the button for it.

import { kept, lookForNewer } from './offline.js';
import { button, calm, complain, h, isDamaged, say } from './ui.js';
import words from './words/en.js';

const place = () => document.getElementById('bar');
let under = null;
/** A quiet exchange found no signal: said in the bar, and nowhere else. */
let noSignal = !navigator.onLine;

/** Draws the bar from the book. Where text is large, what is on this phone alone is what stays. */
export async function draw(kit) {
  const status = await kit.status();
  place().hidden = !status.enrolled || isDamaged();
  if (!status.enrolled) return;
  const { waiting = 0, photos_waiting: pictures = 0, records = 0, last_exchange_ms: last, now_ms: now } = status;
  const ago = last ? words.ago(last, now) : words.bar.never;
  const when = last ? words.bar.last(ago) : ago;
  const filling = kit.filling ? words.filling(kit.filling) : null;
  const state = h('a', { class: status.warn ? 'state warn' : 'state', href: '#/status' },
    filling ? h('span', { class: 'filling' }, filling) : null,
    filling ? null : h('span', { class: 'kept' }, words.bar.kept(waiting)),
    pictures ? h('span', { class: 'kept' }, words.bar.pictures(pictures)) : null,
    filling ? null : h('span', { class: 'more' }, words.bar.shop(records - waiting)),
    filling ? null : h('span', { class: 'last more' }, when),
    kept().newer ? h('span', { class: 'kept' }, words.status.newer) : null);
  const exchanging = button([under ? words.bar.under : words.bar.exchange, noSignal && !under ? h('span', { class: 'soft' }, words.bar.offline) : null], () => exchange(kit), 'exchange', { 'aria-disabled': !!under && 'true' });
  place().replaceChildren(state, exchanging);
}

/** Exchanges with the shop. Quietly: no signal is no complaint. */
export async function exchange(kit, { quietly = false } = {}) {
  if (under) return under;
  under = kit.exchange();
  await draw(kit);
  try {
    const done = await under;
    noSignal = false;
    lookForNewer();
    if (!quietly) say(words.bar.done(done.taken, done.received));
    if (!quietly) calm();
  } catch (error) {
    noSignal = error.code === 'shop-away';
    if (!quietly || !noSignal) complain(error);
  } finally {
    under = null;
    await draw(kit);
  }
  return undefined;
}

/** Puts it up. It is drawn again each minute, since it says how long ago something was. */
export async function begin(kit) {
  place().setAttribute('aria-label', words.bar.name);
  window.addEventListener('online', () => { exchange(kit, { quietly: true }); });
  window.addEventListener('offline', () => { noSignal = true; draw(kit).catch(complain); });
  setInterval(() => { if (!document.hidden) draw(kit).catch(complain); }, 60_000);
  await draw(kit);
}
