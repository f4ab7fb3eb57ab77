// The private keys in a browser: in none of its files once the kit has them, under a key that no script takes out, and through a tab
// closed at any moment. The keys to look for come from the kit with the vectors in it, which alone tells them.

import assert from 'node:assert/strict';
import { readdirSync, readFileSync } from 'node:fs';
import path from 'node:path';

import { folder, openTab, startPhone } from './stage.mjs';

/** A book in the clear is what a browser without IndexedDB in its workers makes: `/kit/bare/` is the kit in such a one. */
const BARE = '/kit/vectors-bare/kit.js';
const TELLING = '/kit/vectors/kit.js';

/** The files of a phone's whole profile that hold one of these bytes. */
function holders(phone, wanted) {
  const profile = path.join(folder, `profile-${phone}`);
  const names = readdirSync(profile, { recursive: true, withFileTypes: true }).filter((one) => one.isFile());
  const files = names.map((one) => path.join(one.parentPath ?? one.path, one.name));
  return files.filter((file) => wanted.some((bytes) => readFileSync(file).includes(bytes))).map((file) => path.relative(profile, file));
}

/** A key in every form in which a file could hold it. */
const forms = (hex) => [Buffer.from(hex), Buffer.from(hex.toUpperCase()), Buffer.from(hex, 'hex')];

/** Opens the kit that is served under a path, asks it, and closes its tab without a word. */
async function visit(phone, url, kit, question, given) {
  const tab = await openTab(phone, url);
  const said = await tab.evaluate(`(async () => {
    const { openKit } = await import(${JSON.stringify(kit)});
    const kit = await openKit();
    return (${question})(kit, ${JSON.stringify(given ?? null)});
  })()`);
  await tab.close({ runBeforeUnload: false });
  return said;
}

const stateOf = async (kit) => (await kit.status()).keys;
const keysOf = (kit) => kit.ask('privateKeys');

export async function keys({ test, phone, url, counts, codeFor, machine, figures }) {
  await test('after enrolment the private keys are in no file of the browser', async () => {
    const told = await visit(phone, url, TELLING, async (kit) => ({ keys: await kit.ask('privateKeys'), at: (await kit.status()).keys }));
    assert.equal(told.at, 'sealed');
    assert.deepEqual(told.keys.map((key) => key.length), [64, 64]);
    assert.deepEqual(holders('tech', told.keys.flatMap(forms)), []);
    // The search finds what is there: the name of the sealed row.
    assert.ok(holders('tech', [Buffer.from('keys/0')]).some((file) => file.includes('File System')));
  });

  await test('the key that wraps the storage key cannot be taken out', async () => {
    const tab = await openTab(phone, url);
    const kept = await tab.evaluate(async () => {
      const done = (request) => new Promise((resolve, reject) => {
        request.onsuccess = () => { resolve(request.result); };
        request.onerror = () => { reject(request.error); };
      });
      const database = await done(indexedDB.open('tappetbook keys'));
      const { wrapping, iv, wrapped } = await done(database.transaction('keys').objectStore('keys').get('book.db'));
      const tried = ['raw', 'jwk'].map((form) => crypto.subtle.exportKey(form, wrapping).then(() => 'given', (error) => error.name));
      const { type, extractable, usages, algorithm } = wrapping;
      return { type, extractable, usages, algorithm, tried: await Promise.all(tried), bytes: [iv.byteLength, wrapped.byteLength] };
    });
    await tab.close();
    assert.deepEqual(kept, {
      type: 'secret', extractable: false, usages: ['encrypt', 'decrypt'], algorithm: { name: 'AES-GCM', length: 256 },
      tried: ['InvalidAccessError', 'InvalidAccessError'], bytes: [12, 32 + 16],
    });
  });

  const plain = await startPhone('plain');
  try {
    await test('a book in the clear is sealed when it is opened again, and exchanges as before', async () => {
      const before = await visit(plain, url, BARE, async (kit, code) => {
        await kit.enrol(code, 'phone without keys');
        await kit.exchange();
        return { keys: await kit.ask('privateKeys'), at: (await kit.status()).keys };
      }, codeFor('Pia Larkin'));
      assert.equal(before.at, 'clear');
      const wanted = before.keys.flatMap(forms);
      assert.notDeepEqual(holders('plain', wanted), [], 'they lie open');
      const after = await visit(plain, url, '/kit.js', async (kit, id) => {
        await kit.addNote(id, 'written with sealed keys');
        return { at: (await kit.status()).keys, level: await kit.exchange(), waiting: (await kit.status()).waiting };
      }, machine);
      assert.equal(after.at, 'sealed');
      assert.ok(after.level.level && after.level.refused.length === 0 && after.waiting === 0, JSON.stringify(after));
      assert.deepEqual(holders('plain', wanted), []);
      assert.deepEqual(await visit(plain, url, TELLING, keysOf), before.keys, 'the same keys');
      // Closed and opened once more.
      assert.equal((await visit(plain, url, '/kit.js', (kit) => kit.exchange())).level, true);
    });

    await test('where the key of the browser is gone, the book is read and its unsent saved', async () => {
      const lost = await visit(plain, url, '/kit.js', async (kit, id) => {
        await kit.addNote(id, 'not at the shop yet');
        kit.close();
        await new Promise((resolve) => { indexedDB.deleteDatabase('tappetbook keys').onsuccess = resolve; });
        // The first opening finds no key, the second one that is not the book's.
        const seen = [];
        for (let n = 0; n < 2; n += 1) {
          await new Promise((resolve) => { setTimeout(resolve, 300); });
          const again = await window.openKit();
          const refused = await again.addNote(id, 'cannot be signed').catch((error) => [error.code, error.message]);
          const { waiting, keys } = await again.status();
          seen.push({ keys, waiting, refused, stops: (await again.round()).length, unsent: (await again.unsent()).every((bytes) => bytes.length > 100) });
          again.close();
        }
        return seen;
      }, machine);
      for (const seen of lost) {
        assert.equal(seen.refused[0], 'book-sealed');
        assert.match(seen.refused[1], /nothing was changed/);
        assert.deepEqual([seen.keys, seen.waiting, seen.stops, seen.unsent], ['locked', 1, 1, true]);
      }
    });

    await test('a tab closed at any moment of the sealing loses no key', async () => {
      const session = await plain.newCDPSession(plain.pages()[0] ?? await plain.newPage());
      const half = async (kit) => [await kit.enrol('00000-00000', 'phone').catch((error) => error.code), (await kit.status()).keys];
      const met = {};
      counts.noEnrolments = true;
      for (let wait = 0; wait <= 440; wait += 40) {
        await session.send('Storage.clearDataForOrigin', { origin: url, storageTypes: 'all' });
        // An enrolment that waits for its answer, with its keys in the clear.
        assert.deepEqual(await visit(plain, url, BARE, half), ['shop-away', 'clear'], `${wait}`);
        const { record_key: key } = counts.enrolments.at(-1);
        const tab = await openTab(plain, url);
        const opening = tab.evaluate(() => { window.openKit().then(() => { window.opened = true; }); });
        await opening;
        await new Promise((resolve) => { setTimeout(resolve, wait); });
        const opened = await tab.evaluate(() => window.opened ?? false);
        met[opened] = (met[opened] ?? 0) + 1;
        await tab.close({ runBeforeUnload: false });
        assert.deepEqual(await visit(plain, url, '/kit.js', half), ['shop-away', 'sealed'], `closed after ${wait} ms`);
        assert.equal(counts.enrolments.at(-1).record_key, key, `the same keys, closed after ${wait} ms`);
      }
      counts.noEnrolments = false;
      figures['tabs closed while the book was being sealed, and after'] = `${met.false ?? 0} and ${met.true ?? 0}`;
    });

    // No assertion: the specification promises nothing here. The README says what came out.
    await test('whether this browser has its own keys in its files as they are is looked at', async () => {
      const known = '8f1d5bb2c07a43e69d24f8a1630cbe57a9e4135cd07286fb4e91b3d85f6a2c70';
      const tab = await openTab(plain, url);
      await tab.evaluate(async (hex) => {
        const bytes = Uint8Array.from(hex.match(/../g), (two) => parseInt(two, 16));
        const key = await crypto.subtle.importKey('raw', bytes, 'AES-GCM', false, ['encrypt', 'decrypt']);
        await new Promise((resolve, reject) => {
          const request = indexedDB.open('looked at', 1);
          request.onupgradeneeded = () => { request.result.createObjectStore('keys'); };
          request.onsuccess = () => {
            const writing = request.result.transaction('keys', 'readwrite', { durability: 'strict' });
            writing.objectStore('keys').put(key, 1);
            writing.oncomplete = resolve;
            writing.onerror = reject;
          };
        });
      }, known);
      await tab.close();
      const found = holders('plain', [Buffer.from(known, 'hex')]);
      figures['a non-extractable key of this browser, found in its files'] = found.join(', ') || 'no';
    });
  } finally {
    await plain.close();
  }
  assert.equal(await visit(phone, url, '/kit.js', stateOf), 'sealed');
}
