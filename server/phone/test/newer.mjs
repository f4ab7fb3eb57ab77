// A newer page: the one that is open says so, and gives way when it is told to, with the book as it was. The shop is behind a small
// server here, which hands out another word list once there is "a newer page".

import assert from 'node:assert/strict';
import { createHash } from 'node:crypto';
import { createServer, request } from 'node:http';

import { heading, look, openTab, startPhone, tap } from './stage.mjs';

/** Hands everything on to the shop, but what is put in another's place. Gives its address and a way to end it. */
export async function standIn(shop, instead) {
  const server = createServer((asked, answer) => {
    const changed = instead.get(asked.url);
    if (changed) {
      answer.writeHead(200, { 'content-type': 'text/javascript' });
      answer.end(changed);
      return;
    }
    const on = request(new URL(asked.url, shop), { method: asked.method, headers: { ...asked.headers, host: new URL(shop).host } }, (from) => {
      answer.writeHead(from.statusCode, from.headers);
      from.pipe(answer);
    });
    on.on('error', () => answer.destroy());
    asked.pipe(on);
  });
  await new Promise((resolve) => { server.listen(0, '127.0.0.1', resolve); });
  return { url: `http://127.0.0.1:${server.address().port}`, end: () => { server.closeAllConnections(); server.close(); } };
}

/** Another page: the same, with one word changed and the list that names it. */
async function newer(shop) {
  const [words, list] = await Promise.all(['words/en.js', 'list.js'].map(async (name) => (await fetch(`${shop}/phone/${name}`)).text()));
  const said = words.replace("title: 'Status'", "title: 'Status, newer'");
  assert.notEqual(said, words);
  const named = JSON.parse(/self\.LIST = (.*);/.exec(list)[1]);
  named.version = 'newer';
  named.files.find((file) => file.path === 'words/en.js').sha256 = createHash('sha256').update(said).digest('hex');
  return [['/phone/words/en.js', said], ['/phone/list.js', `self.LIST = ${JSON.stringify(named)};`]];
}

export async function newerPage({ shop, code }) {
  const instead = new Map();
  const through = await standIn(shop, instead);
  const phone = await startPhone('newer');
  try {
    const tab = await openTab(phone, `${through.url}/phone/#/enrol/${code}`);
    await tap(tab, 'Enrol');
    await tab.getByText('Invented yard').waitFor();
    await tab.waitForFunction(() => !!navigator.serviceWorker.controller);
    const bar = tab.locator('#bar');
    assert.ok(!(await bar.textContent()).includes('newer'));

    for (const [path, text] of await newer(shop)) instead.set(path, text);
    await tap(tab, 'Exchange');
    await bar.getByText('A newer page is ready').waitFor({ timeout: 20_000 });
    await look(tab, 'newer-page');
    // Nothing changes under the hands of whoever is at it.
    await bar.locator('a').click();
    await heading(tab, 'Status');
    assert.equal(await tab.locator('main h1').textContent(), 'Status');
    await look(tab, 'status-newer');
    await tap(tab, 'Load it');
    await heading(tab, 'Status, newer');
    assert.deepEqual(await tab.evaluate(() => caches.keys()), ['tappetbook newer']);
    assert.ok(!(await bar.textContent()).includes('A newer page'));

    // The newer one works without a signal too, on the same book.
    await phone.setOffline(true);
    await tab.reload();
    await heading(tab, 'Status, newer');
    await tab.getByText('Pia Larkin').first().waitFor();
    await phone.setOffline(false);
  } finally {
    await phone.close();
    through.end();
  }
}
