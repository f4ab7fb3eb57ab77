// The start: opens the book, puts up the bar, draws the screen that the person was at, and lets the page be kept for no signal.

import { openKit } from './kit/kit.js';
import * as bar from './bar.js';
import { keepPage } from './offline.js';
import { begin, moved } from './router.js';
import { damaged } from './screens/damaged.js';
import { complain, h, whenDamaged } from './ui.js';
import words from './words/en.js';

/** What a browser must have for the kit. Whether it lends private files is only known to a worker, which says so. */
const able = () => typeof WebAssembly === 'object' && !!navigator.storage?.getDirectory && !!navigator.locks && typeof BroadcastChannel === 'function';

/** Only a title and a sentence: while the book is opened, and where it cannot be. */
const tell = (text) => { document.getElementById('screen').replaceChildren(h('div', { class: 'body' }, h('h1', null, words.app), h('p', null, text))); };

/** Does something once more for however often it is asked while it is under way: an exchange moves much at once. */
function together(act) {
  let under = false;
  let again = false;
  return async () => {
    again = true;
    if (under) return;
    under = true;
    try {
      while (again) {
        again = false;
        await act();
      }
    } catch (error) {
      complain(error);
    } finally {
      under = false;
    }
  };
}

async function start() {
  if (!able()) {
    tell(words.cannot);
    return;
  }
  tell(words.opening);
  const loading = ({ bytes, of }) => { tell(words.loading(bytes, of)); };
  const kit = await openKit('book.db', { onloading: loading }).catch((error) => {
    // Nothing of the page can be used: the sentence is the screen, with what can be saved of a damaged book.
    if (!error.kit) tell(error.message);
    throw error;
  });
  const context = { kit };
  const redraw = together(async () => {
    await bar.draw(kit);
    await moved();
  });
  kit.onmoved = redraw;
  await bar.begin(kit);
  await begin(context);
  performance.mark('ready');
  document.documentElement.dataset.ready = 'yes';
  keepPage(redraw);
  if ((await kit.status()).enrolled) bar.exchange(kit, { quietly: true });
}

whenDamaged(damaged);
start().catch(complain);
