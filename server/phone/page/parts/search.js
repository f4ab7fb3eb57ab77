// Looking through a long list as one types: words, which, in which order, a page at a time. What is looked for is the kit's to find; it is
// kept with the typed text, so that a list is the same when one comes back to it.

import { button, h, say } from '../ui.js';
import { put, typed } from '../typed.js';
import words from '../words/en.js';

const said = words.search;
/** The kit's pages have so many lines. */
const PAGE = 100;
/** A list of so few needs no looking through. */
const FEW = 6;
/** Typing is waited for so long. */
const PAUSE_MS = 120;

const choice = (name, label, kinds) => h('select', { name, 'aria-label': label }, Object.entries(kinds).map(([value, text]) => h('option', { value }, text)));

/**
 * The fields and the list under them. `ask` gives a page for a query, `lines` its lines as elements, `empty` what is said where the whole
 * list is empty. Gives what a screen shows, and `refresh`, which draws the list again and leaves the fields alone.
 */
export async function search({ ask, lines, orders, empty }) {
  const text = h('input', { name: 'words', type: 'search', autocomplete: 'off', autocapitalize: 'off', spellcheck: 'false', 'aria-label': said.words, placeholder: said.words, enterkeyhint: 'search' });
  const only = choice('only', said.only, said.kinds);
  const order = choice('order', said.order, Object.fromEntries(orders.map((one) => [one, said.orders[one]])));
  for (const field of [text, only, order]) field.value = typed(field.name) ?? (field === order ? orders[0] : '');
  const found = h('p', { class: 'soft' });
  const list = h('ul', { class: 'stops' });
  const more = button(said.more, () => { put('pages', String(Number(typed('pages') ?? 1) + 1)); return refresh(); }, 'wide');
  let turn = 0;
  async function refresh() {
    const mine = ++turn;
    const query = { find: text.value, order: order.value, ...(only.value ? { only: only.value } : {}) };
    const pages = [];
    for (let skip = 0; skip < PAGE * Number(typed('pages') ?? 1); skip += PAGE) {
      pages.push(await ask({ ...query, skip }));
      if (pages.at(-1).found <= skip + PAGE) break;
    }
    if (mine !== turn) return;
    const all = pages.flatMap(lines);
    const [page] = pages;
    list.replaceChildren(...all.map((line) => h('li', null, line)));
    more.hidden = all.length >= page.found;
    const count = said.found(words.count(all.length), words.count(page.found), words.count(page.all));
    fields.hidden = page.all <= FEW && !text.value && !only.value;
    found.hidden = fields.hidden && page.all > 0;
    found.replaceChildren(page.all ? (page.found ? count : said.none) : empty());
  }
  let pause;
  const again = () => {
    clearTimeout(pause);
    pause = setTimeout(() => {
      if (!list.isConnected) return;
      put('pages', '');
      refresh().then(() => say(found.textContent));
    }, PAUSE_MS);
  };
  for (const field of [text, only, order]) field.addEventListener('input', again);
  const fields = h('div', { class: 'search', role: 'search' }, text, h('div', { class: 'pair' }, only, order));
  await refresh();
  return { body: [fields, found, list, more], refresh };
}
