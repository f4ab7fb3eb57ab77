// How this phone and its book are: what is where, whether the browser keeps it, and what to do without a signal.

import { kept, loadNewer } from '../offline.js';
import { button, h, link, list, say, visible } from '../ui.js';
import words from '../words/en.js';

const said = words.status;

/** Day, or dusk: remembered by the browser, and put up by theme.js before anything is drawn. */
function looks() {
  const root = document.documentElement;
  const all = Object.entries(said.looks).map(([theme, label]) => [theme, button(label, () => {
    root.dataset.theme = theme;
    localStorage.setItem('theme', theme);
    for (const [one, tap] of all) tap.setAttribute('aria-pressed', String(one === theme));
  }, 'leaf', { 'aria-pressed': String(root.dataset.theme === theme) })]);
  return all.map(([, tap]) => tap);
}

export async function show({ kit, at, status }) {
  const [refused, contested] = await Promise.all([kit.quarantine(), kit.contested()]);
  const page = kept();
  const result = h('p', { role: 'status' });
  const tell = (text) => { result.textContent = visible(text); say(text); };
  const fact = (name, ...text) => [h('dt', null, name), h('dd', null, text)];
  const file = h('input', { type: 'file', class: 'hidden', 'aria-label': said.take, tabindex: '-1' });
  file.addEventListener('change', () => { take.click(); });
  const take = button(said.take, async () => {
    const [chosen] = file.files;
    if (!chosen) {
      file.click();
      return;
    }
    const done = await kit.takeBundle(new Uint8Array(await chosen.arrayBuffer()));
    file.value = '';
    tell(said.taken(done.taken, done.held));
  }, 'wide');
  const proving = button(said.prove, async () => {
    const { clean, faults } = await kit.verify();
    tell(clean ? said.proved : said.faults(faults.length));
  }, 'wide');
  return {
    title: said.title,
    back: '/round',
    body: [
      status.warn ? h('p', { class: 'box warn' }, said.warn) : null,
      h('dl', { class: 'facts told' },
        fact(said.only, status.waiting ?? 0, status.oldest_waiting_ms ? `, ${said.oldest(words.when(status.oldest_waiting_ms))}` : ''),
        status.photos_waiting ? fact(said.pictures, status.photos_waiting) : null,
        fact(said.atShop, (status.records ?? 0) - (status.waiting ?? 0)),
        fact(said.last, status.last_exchange_ms ? `${words.ago(status.last_exchange_ms, status.now_ms)} (${words.when(status.last_exchange_ms)})` : said.never),
        fact(said.storage, status.persistent ? said.granted : said.refused),
        fact(said.keys, said.keysAre[status.keys]),
        fact(said.person, status.person, status.role ? `, ${status.role}` : ''),
        fact(said.shop, status.shop),
        fact(said.tab, status.has === 'elsewhere' ? said.elsewhere : said.here)),
      h('h2', null, said.look),
      h('div', { class: 'leaves', role: 'group', 'aria-label': said.look }, looks()),
      h('div', { class: 'choices' }, link(said.leaves, '/leaves', 'wide'), take, proving),
      file, result,
      h('p', null, page.kept ? said.offlineReady : said.offlineNot),
      page.newer ? [h('p', null, said.newer), button(said.load, loadNewer, 'wide')] : null,
      contested.length ? [h('h2', null, said.contested), list(contested.map((one) => link(`${one.title}: ${one.slot_words}`, at('slot', one.doc, JSON.stringify(one.slot)))))] : null,
      refused.length ? [h('h2', null, said.refusedTitle), list(refused.map(notTaken), 'plain-list')] : null,
    ],
    hand: [button(said.save, async () => { tell(said.saved(await kit.saveUnsent())); }, 'main')],
  };
}

/** What the shop did not take: what it says, who said it, and why it waits. */
const notTaken = (one) => h('div', { class: 'box warn' }, h('strong', null, `${one.title}: ${one.words || said.unreadable}`),
  one.by_name ? h('p', { class: 'soft' }, said.refusedBy(one.by_name, words.when(one.stated_ms))) : null, h('p', null, one.detail));
