// A phone whose book is damaged: what was not handed over is saved to a file, and the office takes it in.

import assert from 'node:assert/strict';
import path from 'node:path';

import { damageBook, putToRest } from '../../../sync-core/bindings/wasm/test/damage.mjs';
import { folder, heading, look, openTab, saved, startPhone, tap } from './stage.mjs';

export async function damagedBook({ url, codeFor, office }) {
  let phone = await startPhone('damaged');
  try {
    let tab = await openTab(phone, `${url}#/enrol/${codeFor('Pia Larkin')}`);
    await tap(tab, 'Enrol');
    await heading(tab, 'round');
    await tab.getByText('Invented yard').waitFor();
    await tab.waitForFunction(() => document.getElementById('bar').textContent.includes('Only on this phone: 0'));
    await phone.setOffline(true);
    const id = office('show', 'Q-103').machine;
    await tab.goto(`${url}#/note/${id}/machine`);
    await tab.getByLabel('What should the next one know?').fill('kept by the phone that broke');
    await tap(tab, 'Keep the note');
    await heading(tab, 'Q-103');
    await tab.waitForFunction(() => document.getElementById('bar').textContent.includes('Only on this phone: 1'));
    await tab.close();
    await phone.setOffline(false);

    // An answer of the origin's that opens no book: outside of what the page's service worker answers, which opens the page whatever is asked.
    tab = await phone.newPage();
    await tab.goto(`${new URL(url).origin}/health`);
    await putToRest(tab, '/phone/kit/kit.js');
    await phone.close();
    damageBook(path.join(folder, 'profile-damaged'));
    phone = await startPhone('damaged');
    tab = await openTab(phone, url);
    await heading(tab, 'The book on this phone is damaged');
    await look(tab, 'damaged');
    const file = path.join(folder, 'saved.bundle');
    await saved(tab, () => tap(tab, 'Save what was not handed over'), file);
    await tab.getByText('Saved as 1 file: 1 step that the shop is not known to have.').first().waitFor();
    await tab.locator('main').getByText('enrol with a new code').waitFor();
    await look(tab, 'damaged-saved');
    assert.ok(office('bundle', 'take', file).taken > 0);
    assert.match(JSON.stringify(office('show', 'Q-103').notes), /kept by the phone that broke/);
  } finally {
    await phone.close();
  }
}
