// The book does not open because it is damaged: what was not handed over is saved to a file. Without the kit's book, so it is no screen of
// the router's.

import { button, h, say, visible } from '../ui.js';
import words from '../words/en.js';

const said = words.damaged;

/** Puts the screen up, for the error that says what is wrong. */
export function damaged(error) {
  document.documentElement.dataset.damaged = 'yes';
  const result = h('div', { role: 'status' });
  const save = button(said.save, async () => {
    const saved = await error.kit.saveDamaged();
    const lines = [saved.changes + saved.quarantined ? said.saved(saved) : said.nothing, saved.unreadable ? said.unreadable(saved.unreadable) : null, said.pictures, said.then];
    result.replaceChildren(...lines.filter(Boolean).map((line) => h('p', null, line)));
    say(visible(lines.filter(Boolean).join(' ')));
    result.scrollIntoView({ block: 'nearest' });
  }, 'main');
  document.getElementById('bar').hidden = true;
  document.getElementById('screen').className = 'damaged';
  document.getElementById('screen').replaceChildren(
    h('div', { class: 'top' }, h('h1', { tabindex: '-1' }, said.title)),
    h('div', { class: 'body', tabindex: '0' }, h('p', { class: 'box warn' }, error.message), h('p', null, said.lead), result),
    h('div', { class: 'hand' }, save));
  document.title = visible(`${said.title} · ${words.app}`);
  document.documentElement.dataset.ready = 'yes';
}
