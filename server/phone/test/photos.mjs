// A photo from the phone's camera to the office's page: the very bytes, and what is refused on the way.

import assert from 'node:assert/strict';
import { createHash } from 'node:crypto';

import { atTheDesk } from './desk.mjs';
import { heading, look, openTab, startPhone, startServer, tap } from './stage.mjs';

const sha256 = (bytes) => createHash('sha256').update(bytes).digest('hex');

/** A small real JPEG, drawn and packed by the browser itself: an invented hour meter. */
async function jpeg(tab, text) {
  const bytes = await tab.evaluate(async (shown) => {
    const canvas = document.createElement('canvas');
    [canvas.width, canvas.height] = [640, 480];
    const pen = canvas.getContext('2d');
    pen.fillStyle = '#444';
    pen.fillRect(0, 0, 640, 480);
    pen.fillStyle = '#ddd';
    pen.fillRect(120, 160, 400, 160);
    pen.fillStyle = '#111';
    pen.font = '110px monospace';
    pen.fillText(shown, 140, 275);
    const blob = await new Promise((resolve) => { canvas.toBlob(resolve, 'image/jpeg', 0.8); });
    return [...new Uint8Array(await blob.arrayBuffer())];
  }, text);
  return Buffer.from(bytes);
}

/** With no signal: takes a photo on the screen that is open, sees it kept, and is back at the machine. Gives the bytes. */
export async function takePhoto(tab) {
  // A text is a text, whatever it is called; nothing is kept of it.
  await tab.locator('input[type=file]').setInputFiles({ name: 'meter.jpg', mimeType: 'image/jpeg', buffer: Buffer.from('a text') });
  await tap(tab, 'Keep the photo');
  await tab.locator('#trouble p').filter({ hasText: 'no picture that the shop takes' }).waitFor();
  await look(tab, 'photo-refused');
  const bytes = await jpeg(tab, '1523.4');
  await tab.locator('input[type=file]').setInputFiles({ name: 'meter.jpg', mimeType: 'image/jpeg', buffer: bytes });
  await tab.locator('.picture img').waitFor();
  await tab.getByRole('button', { name: 'Hour meter', exact: true }).click();
  await look(tab, 'photo');
  // Several, one after another: the screen is empty again for the next, which is looked at and left.
  await tap(tab, 'Keep it, and take another');
  const figure = tab.locator('figure.photo');
  await figure.getByText('kept on this phone').waitFor();
  assert.equal(await tab.locator('.picture img').count(), 0);
  assert.equal(await tab.getByLabel('What it shows').inputValue(), '');
  await look(tab, 'photo-another');
  // It was come to from the check.
  await tap(tab, 'Back');
  await heading(tab, 'been through');
  await tap(tab, 'Back');
  await heading(tab, 'Q-101');
  await figure.getByText('kept on this phone').waitFor();
  assert.equal(await figure.count(), 1);
  await figure.scrollIntoViewIfNeeded();
  await look(tab, 'machine-photo-here');
  // Kept: after a reload with no signal it is the very picture.
  const kept = await tab.evaluate(async (hash) => {
    const kit = await (await import('./kit/kit.js')).openKit();
    const machine = (await kit.photosDue())[0].doc;
    const found = [...new Uint8Array(await (await kit.picture(machine, hash)).arrayBuffer())];
    kit.close();
    return found;
  }, sha256(bytes));
  assert.deepEqual(Buffer.from(kept), bytes);
  await tab.waitForFunction(() => document.getElementById('bar').textContent.includes('Pictures only here: 1'));
  return bytes;
}

/** After an exchange: the phone says that the shop has it, and the office's page shows that very picture. */
export async function pictureAtShop({ tab, shop, url, office, photo }) {
  const { machine } = office('show', 'Q-101');
  await tab.goto(`${url}#/machine/${machine}`);
  const figure = tab.locator('figure.photo');
  await figure.getByText('at the shop').waitFor({ timeout: 20_000 });
  await figure.getByText('Stays on this phone until').waitFor();
  await figure.scrollIntoViewIfNeeded();
  await look(tab, 'machine-photo-at-shop');
  assert.ok(!(await tab.locator('#bar').textContent()).includes('Pictures only'), 'nothing is on this phone alone');

  await atTheDesk({ shop, office }, async (page) => {
    // The first page there is the day sheet: the visit of the phone is in it.
    const sheet = page.locator('main');
    await sheet.getByText('Q-101').first().waitFor();
    const told = await sheet.textContent();
    assert.match(told, /Visits.*Q-101.*Invented yard.*Pia Larkin.*, complete/s);
    await look(page, 'office-day-sheet', { office: true });
    await page.goto(`${shop}/office/machines/${machine}`);
    const small = page.locator('ul.photos img');
    await small.scrollIntoViewIfNeeded();
    await page.waitForFunction(() => document.querySelector('ul.photos img').naturalWidth === 640);
    await page.locator('ul.photos figcaption').filter({ hasText: 'Hour meter' }).waitFor();
    const at = await small.evaluate((img) => img.src);
    const seen = await page.evaluate(async (address) => {
      const answer = await fetch(address);
      return { type: answer.headers.get('content-type'), bytes: [...new Uint8Array(await answer.arrayBuffer())] };
    }, at);
    assert.equal(seen.type, 'image/jpeg');
    assert.deepEqual(Buffer.from(seen.bytes), photo, 'the bytes that were taken are the bytes that the office sees');
    await look(page, 'office-machine-photo', { office: true });
    // And nothing of it without a session.
    const out = (await fetch(at, { redirect: 'manual' })).status;
    assert.equal(out, 303);
  });
}

/** What is refused, by the server, with its code. */
export async function refusals({ tab, shop, url, office, photo, codeFor }) {
  const { machine } = office('show', 'Q-101');
  const tokenOf = (page) => page.evaluate(async () => {
    const kit = await (await import('./kit/kit.js')).openKit();
    const token = await kit.token();
    kit.close();
    return token;
  });
  const token = await tokenOf(tab);
  const put = async (bearer, hash, body, id = machine) => {
    const answer = await fetch(`${shop}/v1/photos/${id}/${hash}`, { method: 'PUT', headers: { authorization: `Bearer ${bearer}` }, body });
    return [answer.status, answer.status === 204 ? null : (await answer.json()).code];
  };
  const hash = sha256(photo);
  assert.deepEqual(await put(token, hash, photo), [204, null], 'the same again is the same answer');
  assert.deepEqual(await put(token, hash, Buffer.concat([photo, Buffer.from([0])])), [400, 'body-invalid']);
  assert.deepEqual(await put(token, sha256('nothing'), photo), [404, 'not-found']);
  // The record is in the book; what comes under its name must be that picture.
  const large = Buffer.concat([photo, Buffer.alloc(8 * 1024 * 1024 + 1 - photo.length)]);
  assert.deepEqual(await put(token, hash, large), [413, 'too-large']);
  assert.deepEqual(await put(token, hash, Buffer.from('a text named .jpg')), [415, 'unreadable']);
  assert.deepEqual(await put('no token', hash, photo), [401, 'token-invalid']);
  const other = await startServer('other');
  const stranger = await startPhone('stranger');
  try {
    const page = await openTab(stranger, `${other.url}/phone/#/enrol/${other.code}`);
    await tap(page, 'Enrol');
    await page.waitForFunction(() => document.getElementById('bar').textContent.includes('Exchanged'));
    assert.deepEqual(await put(await tokenOf(page), hash, photo), [401, 'token-invalid']);
  } finally {
    await stranger.close();
    other.server.kill('SIGINT');
  }
  office('office', 'person', 'add', 'Dov Amber', '--role', 'helper');
  const helper = await startPhone('helper');
  try {
    const page = await openTab(helper, `${url}#/enrol/${codeFor('Dov Amber')}`);
    await tap(page, 'Enrol');
    await page.waitForFunction(() => document.getElementById('bar').textContent.includes('Exchanged'));
    assert.deepEqual(await put(await tokenOf(page), hash, photo), [404, 'document-closed']);
  } finally {
    await helper.close();
  }
}
