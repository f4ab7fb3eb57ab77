// Keeps the key that a book's private keys are sealed with: 32 random bytes, wrapped by a key of the browser's own that no script
// can take out. Both are in IndexedDB, committed before the book sees the key; a tab may close at any moment. The worker's.

const DATABASE = 'tappetbook keys';
const KEYS = 'keys';

/** What a request or a transaction comes to. */
function done(request, event = 'success') {
  return new Promise((resolve, reject) => {
    request[`on${event}`] = () => { resolve(request.result); };
    request.onerror = () => { reject(request.error); };
    request.onabort = () => { reject(request.error); };
  });
}

function open() {
  const request = indexedDB.open(DATABASE, 1);
  request.onupgradeneeded = () => { request.result.createObjectStore(KEYS); };
  return done(request);
}

/** What the wrapping holds to: no other book's key opens in this one's place. */
const how = (name, iv) => ({ name: 'AES-GCM', iv, additionalData: new TextEncoder().encode(name) });

async function unwrap(name, { wrapping, iv, wrapped }) {
  return new Uint8Array(await crypto.subtle.decrypt(how(name, iv), wrapping, wrapped));
}

/** Makes a key for a book, and gives it once it is on the disk. What is there already is never written over. */
async function make(database, name) {
  const wrapping = await crypto.subtle.generateKey({ name: 'AES-GCM', length: 256 }, false, ['encrypt', 'decrypt']);
  const iv = crypto.getRandomValues(new Uint8Array(12));
  const fresh = crypto.getRandomValues(new Uint8Array(32));
  const wrapped = await crypto.subtle.encrypt(how(name, iv), wrapping, fresh);
  fresh.fill(0);
  const writing = database.transaction(KEYS, 'readwrite', { durability: 'strict' });
  writing.objectStore(KEYS).add({ wrapping, iv, wrapped }, name);
  await done(writing, 'complete');
}

/**
 * The storage key of a book, made where there is none yet; for the one worker that has the book's lock. `null` where this browser
 * keeps no such keys: why, is said on the console.
 */
export async function storageKey(name) {
  let database;
  try {
    if (!crypto.subtle || !self.indexedDB) throw new Error('it has no Web Cryptography or no IndexedDB here');
    database = await open();
    const kept = () => done(database.transaction(KEYS).objectStore(KEYS).get(name));
    if (!(await kept())) await make(database, name);
    // Read back, and not as it was made: a key that would not be there the next time must not seal anything.
    return await unwrap(name, await kept());
  } catch (error) {
    console.warn(`This browser keeps no key for the book (${error?.message ?? error}).`);
    return null;
  } finally {
    database?.close();
  }
}
