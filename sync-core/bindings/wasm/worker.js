// The worker that has the book: one at a time in a browser, whichever tab was first. It serves the page that made it, and the
// workers of other tabs over a channel. Pages go through kit.js.

import init, { OpenKit, salvage } from './pkg/tappet_kit.js';
import MODULE_BYTES from './pkg/size.js';
import { storageKey } from './keeper.js';
import { addPhoto, picture } from './pictures.js';
import { bringPictures, exchange, enrol, token } from './shop.js';

/** Steps that write: after each, every page is told what moved. */
const WRITES = new Set([
  'enrol', 'exchange', 'openVisit', 'resumeVisit', 'takeReading', 'readHours', 'changeMeter', 'addFinding', 'clearFinding', 'addNote',
  'addPhoto', 'finishVisit', 'handOver', 'takeUp', 'signOff', 'addMachine', 'void', 'takeBundle', 'setUnit', 'setLeaves',
]);
/** Steps whose second asking must not be a second step. The others, asked again, change nothing: that is theirs already. */
const ONCE = new Set([
  'openVisit', 'resumeVisit', 'takeReading', 'readHours', 'changeMeter', 'addFinding', 'clearFinding', 'addNote', 'addPhoto', 'finishVisit', 'handOver', 'signOff',
  'addMachine', 'void',
]);
/** A question to the tab that has the book is sent again after so long, until that tab says that it has it. */
const AGAIN_MS = 400;
/** So many parts of the log are proved at a time, so that a tap in between does not wait. */
const VERIFIED_AT_ONCE = 64;

const me = crypto.randomUUID();
let name;
let channel;
/** The open book, once it is this worker's. */
let kit = null;
/** Why there will be no open book in this worker: it is damaged. What it has alone can still be saved. */
let damaged = null;
/** What the book's mark was when pages were last told. */
let mark = 0;
/** What goes on meanwhile: one exchange at a time, one verification, one picture on its way. */
let exchanging = null;
let verifying = null;
let bringing = null;
/** Questions of this page that another tab's worker was asked: id -> {message, timer}. */
const asked = new Map();
/** Questions of other tabs that are being answered, so that none is done twice. */
const taken = new Set();

/** An error as it travels. Whatever is no error of the kit's ends the worker: what was kept is kept, but it cannot go on. */
function told(error) {
  if (typeof error === 'string' && error.startsWith('{')) {
    const said = JSON.parse(error);
    // A file layer in a browser that gets no more room writes less than it was asked to, and SQLite only says that it failed.
    if (said.code === 'book-failed') said.sentence += ' Most often the phone has no room left: make room, and try again.';
    return said;
  }
  if (error?.code && error?.sentence) return { code: error.code, sentence: error.sentence, shop_time_ms: null };
  console.error(error);
  const sentence = 'The kit stopped because of a fault of its own. Everything that was said to be kept is kept. Load the page again.';
  return { code: 'defect', sentence, shop_time_ms: null };
}

/** Answers one question with the book at hand. */
async function answer({ ask, given, key }) {
  switch (ask) {
    case 'enrol': return enrol(kit, ...given);
    case 'exchange':
      exchanging ??= exchange(kit, heard, ...given).finally(() => { exchanging = null; far(null); });
      return exchanging.then((done) => { settle(); bring(); return done; });
    case 'token': return token(kit);
    case 'unsent': return kit.exportUnsent();
    case 'takeBundle': return JSON.parse(kit.takeBundle(...given));
    case 'addPhoto': return addPhoto(kit, key ?? crypto.randomUUID(), ...given);
    case 'picture': return picture(...given);
    case 'salvage': return salvaged();
    default: return JSON.parse(key ? kit.askOnce(key, ask, JSON.stringify(given ?? [])) : kit.ask(ask, JSON.stringify(given ?? [])));
  }
}

/** Saves what can be read of a damaged book, which must not be open. */
async function salvaged() {
  kit?.free();
  kit = null;
  damaged ??= { code: 'book-damaged', sentence: 'The book was closed, since it is damaged. Load the page again.', shop_time_ms: null, damaged: true };
  const saved = await salvage(name);
  return { bundles: saved.bundles, ...JSON.parse(saved.counts) };
}

/** Proves and tidies in small slices, when nobody waits. */
function settle() {
  verifying ??= (async () => {
    let left;
    do {
      await new Promise((resolve) => { setTimeout(resolve, 20); });
      left = JSON.parse(kit.ask('verifyDeferred', `[${VERIFIED_AT_ONCE}]`));
    } while (left > 0);
    kit.ask('tidy', '[8]');
  })().catch((error) => { console.error(error); }).finally(() => { verifying = null; });
}

/** Brings pictures to the shop, when the records are there. Where they are is no record, so the mark does not move. */
function bring() {
  const moved = (doc) => { send({ mark, everything: false, documents: [doc] }); };
  bringing ??= bringPictures(kit, moved).catch((error) => { console.error(error); }).finally(() => { bringing = null; });
}

/** Tells every page. */
function send(moved) {
  postMessage({ moved });
  channel.postMessage({ moved });
}

/** A part of an exchange is kept: every page is told what moved, and how far a first fill is. */
function heard(filling) {
  if (filling) far(filling);
  tell();
}

/** How far a first fill is: every page is told; null where it is over. */
function far(filling) {
  postMessage({ filling });
  channel.postMessage({ filling });
}

/** Tells every page what moved. */
function tell() {
  const moved = JSON.parse(kit.ask('moved', `[${mark}]`));
  mark = moved.mark;
  send(moved);
}

/** Answers a question, and says so to whoever asked. */
async function serve(message, reply) {
  try {
    const said = await answer(message);
    reply({ id: message.id, said });
    if (WRITES.has(message.ask)) tell();
  } catch (error) {
    reply({ id: message.id, error: told(error) });
  }
}

/** A question of another tab, or an answer from the tab that has the book. */
function overChannel({ data }) {
  if (kit && data.from && data.ask) {
    channel.postMessage({ to: data.from, id: data.id, has: true });
    const key = `${data.from} ${data.id}`;
    if (taken.has(key)) return;
    taken.add(key);
    serve(data, (said) => { channel.postMessage({ to: data.from, ...said }); });
  } else if (data.to === me && asked.has(data.id)) {
    const waiting = asked.get(data.id);
    clearInterval(waiting.timer);
    if (data.has) return;
    asked.delete(data.id);
    postMessage({ id: data.id, said: data.said, error: data.error });
  } else if (data.tookOver) {
    for (const { message } of [...asked.values()]) passAgain(message);
  } else if ((data.moved || 'filling' in data) && !kit) {
    postMessage(data);
  }
}

/** Asks the tab that has the book. A step gets a key, under which it is done once, whichever tab does it. */
function pass(asking) {
  passAgain(ONCE.has(asking.ask) ? { ...asking, key: crypto.randomUUID() } : asking);
}

/** Asks until the tab that has the book says that it has the question. */
function passAgain(message) {
  clearInterval(asked.get(message.id)?.timer);
  const send = () => { channel.postMessage({ from: me, ...message }); };
  asked.set(message.id, { message, timer: setInterval(send, AGAIN_MS) });
  send();
}

/** The tab that had the book is gone, and the book is here: what it was asked is answered here. What it kept before it went is found under
 * its key, and not done again. Other tabs ask again what the one that went had heard. */
function takeOver() {
  channel.postMessage({ tookOver: true });
  const waiting = [...asked.values()];
  asked.clear();
  for (const { message, timer } of waiting) {
    clearInterval(timer);
    serve(message, (said) => { postMessage(said); });
  }
}

/** What this browser lacks for the book's files, in a sentence; nothing where it has all. Tried, since a private tab only fails then. */
async function lacking() {
  const probe = `tappetbook-probe-${me}`;
  try {
    const files = await navigator.storage.getDirectory();
    const file = await files.getFileHandle(probe, { create: true });
    (await file.createSyncAccessHandle()).close();
    await files.removeEntry(probe);
    return null;
  } catch (error) {
    console.warn(error);
    return 'This browser lends no files to keep the book in. A private tab does not: open this page in an ordinary one. If it is one, a newer '
      + 'browser has what is needed (OPFS with synchronous access). Nothing was entered.';
  }
}

/** The kit's module, loaded with word of how far it is. */
async function load() {
  const answer = await fetch(new URL('./pkg/tappet_kit_bg.wasm', import.meta.url));
  if (!answer.ok || !answer.body) return answer;
  let bytes = 0;
  const counting = new TransformStream({
    transform(chunk, onward) {
      bytes += chunk.length;
      postMessage({ loading: { bytes, of: MODULE_BYTES } });
      onward.enqueue(chunk);
    },
  });
  return new Response(answer.body.pipeThrough(counting), { headers: { 'content-type': 'application/wasm' } });
}

/** Opens the book: it is this worker's until its tab is closed. */
async function take() {
  if (name === ':memory:') {
    kit = OpenKit.inMemory();
  } else {
    const key = await storageKey(name);
    kit = await OpenKit.open(name, key ?? undefined);
    key?.fill(0);
  }
  mark = JSON.parse(kit.ask('status', '[]')).mark;
  takeOver();
  postMessage({ has: 'here' });
}

async function open(message) {
  name = message.book;
  channel = new BroadcastChannel(`tappetbook ${name}`);
  channel.onmessage = overChannel;
  if (name !== ':memory:') {
    const sentence = await lacking();
    if (sentence) {
      postMessage({ failed: { code: 'no-files', sentence, shop_time_ms: null } });
      return undefined;
    }
  }
  await init({ module_or_path: load() });
  if (name === ':memory:') return take();
  // The lock is held for as long as this worker lives: the browser gives it to the next tab when this one is gone.
  const held = (lock) => (lock ? take().then(() => new Promise(() => {})) : false);
  const failed = (error) => {
    const said = told(error);
    if (said.damaged) damaged = said;
    postMessage({ failed: said });
  };
  const first = navigator.locks.request(`tappetbook ${name}`, { ifAvailable: true }, (lock) => {
    if (lock) return held(lock);
    postMessage({ has: 'elsewhere' });
    return navigator.locks.request(`tappetbook ${name}`, held).catch(failed), false;
  });
  return first.catch(failed);
}

onmessage = ({ data }) => {
  if (data.book) {
    open(data).catch((error) => { postMessage({ failed: told(error) }); });
  } else if (damaged && data.ask !== 'salvage') {
    postMessage({ id: data.id, error: damaged });
  } else if (kit || damaged) {
    serve(data, (said) => { postMessage(said); });
  } else {
    pass(data);
  }
};
