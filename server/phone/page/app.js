// The start: opens the book, puts up the bar, draws the screen that the person was at, and lets the page be kept for no signal.

import { openKit } from './kit/kit.js';
import * as bar from './bar.js';
import { keepPage } from './offline.js';
import { begin, moved } from './router.js';
import { complain, h } from './ui.js';
import words from './words/en.js';

/** What a browser must have for the kit. */
const able = () => typeof WebAssembly === 'object' && !!navigator.storage?.getDirectory && !!navigator.locks && typeof BroadcastChannel === 'function';

async function start() {
  const main = document.getElementById('screen');
  if (!able()) {
    main.replaceChildren(h('h1', null, words.app), h('p', null, words.cannot));
    return;
  }
  main.replaceChildren(h('h1', null, words.app), h('p', null, words.opening));
  const kit = await openKit();
  const context = { kit };
  const redraw = () => { bar.draw(kit); moved(); };
  kit.onmoved = redraw;
  await bar.begin(kit);
  await begin(context);
  performance.mark('ready');
  document.documentElement.dataset.ready = 'yes';
  keepPage(redraw);
  if ((await kit.status()).enrolled) bar.exchange(kit, { quietly: true });
}

start().catch(complain);
