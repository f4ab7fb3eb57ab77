// Talking to the shop's server in the kit's name: what the kit says is sent, and what comes back is handed to the kit. The worker's.

import { bytesOf, drop } from './pictures.js';

/** The most rounds of one exchange. */
const MOST_ROUNDS = 50;
/** The most pictures sent after one exchange. */
const MOST_PICTURES = 20;
/** A page of an exchange, or a picture, over a poor signal, in ms. */
const WHOLE_CALL_MS = 120_000;
/** What a browser sets itself, and lets nobody else set. */
const NOT_OURS = new Set(['accept-encoding']);

const asked = (kit, name, ...given) => JSON.parse(kit.ask(name, JSON.stringify(given)));

/** An error of the way to the shop. */
function away(why) {
  const sentence = `The shop's server was not reached (${why}). Nothing is lost: exchange again when there is signal.`;
  return { code: 'shop-away', sentence };
}

/** How often it is told how much of a body is here, in ms. */
const TOLD_MS = 150;

/** The bytes of a body; `onbytes` is told meanwhile how many are here. */
async function bodyOf(answer, onbytes) {
  if (!onbytes || !answer.body) return new Uint8Array(await answer.arrayBuffer());
  const parts = [];
  let bytes = 0;
  let told = Date.now();
  for (const reader = answer.body.getReader(); ;) {
    const { done, value } = await reader.read();
    if (done) break;
    parts.push(value);
    bytes += value.length;
    if (Date.now() - told < TOLD_MS) continue;
    told = Date.now();
    onbytes(bytes);
  }
  return new Uint8Array(await new Blob(parts).arrayBuffer());
}

/** Sends what the kit said, gives status and body. */
async function send(call, server, onbytes) {
  const headers = Object.fromEntries(JSON.parse(call.headers).filter(([name]) => !NOT_OURS.has(name)));
  const { method, path, body } = call;
  call.free();
  try {
    const signal = AbortSignal.timeout(WHOLE_CALL_MS);
    const how = { method, headers, body, signal, redirect: 'error', credentials: 'omit', cache: 'no-store' };
    const answer = await fetch(new URL(path, server), how);
    return { status: answer.status, body: await bodyOf(answer, onbytes) };
  } catch (error) {
    throw away(error?.name === 'TimeoutError' ? 'it did not answer in time' : 'no signal, or nothing answers');
  }
}

/** Enrols with a one-time code. */
export async function enrol(kit, code, deviceName, server = self.location.origin) {
  const { status, body } = await send(kit.enrolCall(code, deviceName), server);
  return JSON.parse(kit.enrolled(status, body, server));
}

/** Logs in where no token holds. A phone with a wrong clock is told the time, and signs again. */
async function logIn(kit, server) {
  for (let calls = 0; kit.needsLogIn() && calls < 4; calls += 1) {
    const { status, body } = await send(kit.logInCall(), server);
    kit.loggedIn(status, body);
  }
}

/** A token for what else a page asks the server. */
export async function token(kit) {
  await logIn(kit, serverOf(kit));
  return kit.token() ?? null;
}

function serverOf(kit) {
  return JSON.parse(kit.ask('status', '[]')).server ?? self.location.origin;
}

/** Whether an error of the kit's has a code. */
function isCode(error, code) {
  return typeof error === 'string' && error.startsWith('{') && JSON.parse(error).code === code;
}

/** One round: a token that does not hold any more is asked for anew, once. */
async function once(kit, server, handOverOnly, onbytes) {
  for (let tries = 0; ; tries += 1) {
    await logIn(kit, server);
    const { status, body } = await send(kit.exchangeCall(handOverOnly), server, onbytes);
    try {
      return { report: JSON.parse(kit.exchanged(status, body)), bytes: body.length };
    } catch (error) {
      if (tries > 0 || !isCode(error, 'token-invalid')) throw error;
    }
  }
}

/** How many machines the shop has for this phone; null where that cannot be told now. Only for saying how far a first fill is. */
async function machinesAtShop(kit, server) {
  let machines = 0;
  let next = '/v1/properties?limit=200';
  try {
    while (next) {
      const answer = await fetch(new URL(next, server), { headers: { authorization: `Bearer ${kit.token()}` }, credentials: 'omit', cache: 'no-store' });
      if (!answer.ok) return null;
      const page = await answer.json();
      machines += page.items.reduce((sum, property) => sum + property.machines, 0);
      next = page.next ? `/v1/properties?limit=200&after=${encodeURIComponent(page.next)}` : null;
    }
    return machines;
  } catch {
    return null;
  }
}

/** What a front end may ask for: a first fill was begun, and has not ended yet. */
const FILLING = 'filling';

/** Exchanges until both sides are level. Each round is kept as it comes, and told to `heard`, with how far a first fill is: a failure later
 * takes nothing back. */
export async function exchange(kit, heard, { handOverOnly = false } = {}) {
  const server = serverOf(kit);
  const before = asked(kit, 'status');
  const first = !handOverOnly && (!before.last_exchange_ms || !!asked(kit, 'remembered', FILLING));
  let of = null;
  if (first) {
    asked(kit, 'remember', FILLING, true);
    await logIn(kit, server);
    of = await machinesAtShop(kit, server);
    heard({ bytes: 0, machines: before.machines ?? 0, of });
  }
  const done = { rounds: 0, taken: 0, received: 0, healed: 0, shop_restored: false, refused: [], level: false, bytes_received: 0 };
  while (done.rounds < MOST_ROUNDS && !done.level) {
    const machines = first ? asked(kit, 'status').machines ?? 0 : 0;
    const onbytes = first ? (bytes) => { heard({ bytes: done.bytes_received + bytes, machines, of }); } : undefined;
    const { report, bytes } = await once(kit, server, handOverOnly, onbytes);
    done.rounds += 1;
    done.taken += report.taken;
    done.received += report.received;
    done.healed += report.healed;
    done.shop_restored ||= report.shop_restored;
    done.refused.push(...report.refused);
    done.bytes_received += bytes;
    done.level = !report.more;
    heard(first ? { bytes: done.bytes_received, machines: asked(kit, 'status').machines ?? 0, of } : null);
    // What is to be handed over is handed over in the first round or at the next signal.
    if (handOverOnly) break;
  }
  if (first && done.level) asked(kit, 'remember', FILLING, null);
  return done;
}

/** Sends one picture. Gives false where it is no use to go on with the next: no signal, or a shop that has no time now. */
async function sendPicture(kit, server, { doc, sha256 }, bytes) {
  for (let tries = 0; ; tries += 1) {
    try {
      await logIn(kit, server);
      const { status, body } = await send(kit.photoCall(doc, sha256, bytes), server);
      kit.photoSent(doc, sha256, status, body);
      return true;
    } catch (error) {
      if (tries === 0 && isCode(error, 'token-invalid')) continue;
      // What is wrong with this picture alone the kit has remembered.
      const final = ['document-closed', 'not-found', 'body-invalid', 'entry-invalid', 'unreadable', 'too-large', 'given-unreadable'];
      return final.some((code) => isCode(error, code));
    }
  }
}

/** Brings the pictures of photos to the shop, one after another, and lets those go that it has had for long. Calls `moved` with the document
 * of each. Records never wait for it. */
export async function bringPictures(kit, moved) {
  const server = serverOf(kit);
  const due = asked(kit, 'photosDue').filter((one) => one.ready).slice(0, MOST_PICTURES);
  for (const photo of due) {
    const bytes = await bytesOf(photo.doc, photo.sha256);
    if (!bytes) asked(kit, 'photoGone', photo.doc, photo.sha256);
    else if (!(await sendPicture(kit, server, photo, bytes))) break;
    moved(photo.doc);
  }
  for (const { doc, sha256 } of asked(kit, 'photosToLetGo')) {
    await drop(doc, sha256);
    asked(kit, 'photoLetGo', doc, sha256);
    moved(doc);
  }
}
