// Browsers that are otherwise: one that asks the person before it promises anything, one that lends no files, a tab that is loaded again
// while its worker still has the book.

import assert from 'node:assert/strict';

import { standIn } from './newer.mjs';
import { faults, heading, startPhone, tap } from './stage.mjs';

/** One that asks the person whether the page may keep things, and is never answered. */
export async function neverAnswered({ url }) {
  const phone = await startPhone('asks');
  try {
    const tab = await phone.newPage();
    await tab.addInitScript(() => {
      StorageManager.prototype.persist = () => new Promise(() => {});
      window.said = new Set();
      new MutationObserver(() => { window.said.add(document.getElementById('screen')?.textContent); }).observe(document, { subtree: true, childList: true });
    });
    await tab.goto(url);
    await heading(tab, 'Enrol');
    // Until then it said what it loads, and how much of how much.
    const loading = await tab.evaluate(() => [...window.said].filter((text) => /Loading what keeps the book: [\d.]+ [kM]B of [\d.]+ MB/.test(text)));
    assert.ok(loading.length > 0, 'a first load says how far it is');
  } finally {
    await phone.close();
  }
}

/** One that lends a worker no files, as in a private tab: said before anything is entered. */
export async function noFiles({ shop }) {
  const worker = await (await fetch(`${shop}/phone/kit/worker.js`)).text();
  const without = `StorageManager.prototype.getDirectory = () => Promise.reject(new DOMException('private', 'SecurityError'));\n${worker}`;
  const through = await standIn(shop, new Map([['/phone/kit/worker.js', without]]));
  const phone = await startPhone('private');
  try {
    const tab = await phone.newPage();
    await tab.goto(`${through.url}/phone/`);
    await tab.locator('main').getByText('A private tab does not: open this page in an ordinary one.').waitFor();
    assert.equal(await tab.locator('input').count(), 0, 'nothing is asked for that could not be kept');
  } finally {
    await phone.close();
    through.end();
  }
}

/** The lock of the book is still that of a worker that goes away and answers nothing, as of a page that is loaded again while a large book is
 * busy: what the page asked meanwhile is answered once the lock is its own. */
export async function lockStillHeld({ url, code }) {
  const phone = await startPhone('held');
  try {
    const holder = await phone.newPage();
    await holder.goto(`${url}list.js`);
    const hold = () => holder.evaluate(() => new Promise((held) => {
      navigator.locks.request('tappetbook book.db', () => new Promise((release) => { window.release = release; held(); }));
    }));
    const tab = await phone.newPage();
    for (const address of [`${url}#/enrol/${code}`, url]) {
      await tab.goto('about:blank');
      await hold();
      await tab.goto(address);
      await tab.waitForTimeout(2500);
      assert.equal(await tab.locator('html[data-ready]').count(), 0);
      await holder.evaluate(() => window.release());
      await tab.waitForSelector('html[data-ready]', { timeout: 20_000 });
      assert.equal(await tab.locator('#trouble p').count(), 0, await tab.locator('#trouble').textContent());
      if (address === url) continue;
      await tap(tab, 'Enrol');
      await tab.locator('a.place-of').first().waitFor({ timeout: 30_000 });
    }
  } finally {
    await phone.close();
  }
}

/** Loaded again so often, each time right after an exchange was begun: no page is stuck, and none says that something failed. */
export async function loadedAgain({ url, code, times }) {
  const phone = await startPhone('again');
  phone.setDefaultTimeout(60_000);
  const took = [];
  try {
    const tab = await phone.newPage();
    tab.on('pageerror', (error) => { faults.push(`loaded again: ${error}`); });
    await tab.goto(`${url}#/enrol/${code}`);
    await tap(tab, 'Enrol');
    await tab.locator('a.place-of').first().waitFor({ timeout: 120_000 });
    await tab.waitForFunction(() => document.getElementById('bar').textContent.includes('Exchanged'), null, { timeout: 300_000 });
    for (let n = 0; n < times; n += 1) {
      await tap(tab, 'Exchange');
      await tab.waitForTimeout((n * 37) % 400);
      const from = Date.now();
      await tab.reload({ waitUntil: 'commit' });
      await tab.waitForSelector('html[data-ready]');
      await tab.locator('a.place-of').first().waitFor();
      took.push(Date.now() - from);
      assert.equal(await tab.locator('#trouble p').count(), 0, `load ${n + 1}: ${await tab.locator('#trouble').textContent()}`);
    }
  } finally {
    await phone.close();
  }
  took.sort((a, b) => a - b);
  return `${times} times, ${took[Math.floor(times / 2)]} ms in the middle, ${took.at(-1)} ms at most`;
}
