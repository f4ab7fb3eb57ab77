// QR codes before the camera: the office's one-time code, and the tag of a machine from the sheet that the office prints.

import assert from 'node:assert/strict';
import path from 'node:path';

import { dots, dotsOf, phoneThatSees, phoneWithCanvas } from './camera.mjs';
import { atTheDesk } from './desk.mjs';
import { browser, heading, look, pictures, tap } from './stage.mjs';

const ELSEWHERE = 'https://other.example';
const complaint = (tab, words) => tab.locator('#trouble p').filter({ hasText: words }).waitFor();

/** The code of this shop is read and enrols; what else there is to scan is named, and nothing is filled in. */
export async function scansCodes({ shop, url, codeFor }) {
  const own = `${shop}/phone/#/enrol/${codeFor('Pia Larkin')}`;
  const { phone, tab } = await phoneThatSees('scans-code', dots(own), url);
  try {
    await tap(tab, 'Scan the code');
    await tab.waitForFunction(() => document.querySelector('input[name=code]').value.length > 8);
    assert.equal(await tab.getByLabel('One-time code').inputValue(), own.split('/').pop());
    // Neither browser of Debian has a detector of its own: it is the page's decoder that read it.
    assert.ok(await decoderLoaded(tab), 'the decoder was loaded');
    await tap(tab, 'Enrol');
    await heading(tab, 'round');
  } finally {
    await phone.close();
  }
  const other = await phoneWithCanvas('scans-others', url);
  try {
    const refused = async (text, words, name) => {
      await other.sees(dots(text));
      await tap(other.tab, 'Scan the code');
      await complaint(other.tab, words);
      if (name) await look(other.tab, name);
      assert.equal(await other.tab.getByLabel('One-time code').inputValue(), '');
    };
    await refused(`${ELSEWHERE}/phone/#/enrol/00000-00000`, `That code is for the shop at ${ELSEWHERE}`, 'scan-of-another-shop');
    await refused(`${shop}/phone/#/machine/0190b7d2-0000-7000-8000-000000000000`, 'That is the tag of a machine.');
    for (const text of ['a text', 'https://other.example/', `${shop}/phone/#/enrol/%E0`]) await refused(text, 'neither a one-time code of a shop nor');
  } finally {
    await other.phone.close();
  }
}

const decoderLoaded = (tab) => tab.evaluate(() => performance.getEntriesByType('resource').some((one) => one.name.endsWith('decoder/jsqr.js')));

/** A browser that reads QR codes by itself is asked, and the page's decoder is not loaded. */
export async function detectorOfItsOwn({ shop, url }) {
  const { phone, tab, sees } = await phoneWithCanvas('scans-detects', url);
  try {
    await sees(dots('not what the detector says'));
    await tab.evaluate((said) => {
      window.BarcodeDetector = class {
        static async getSupportedFormats() { return ['qr_code', 'ean_13']; }
        constructor({ formats }) { this.formats = formats.join(); }
        async detect(video) { return this.formats === 'qr_code' && video.videoWidth ? [{ rawValue: said }] : []; }
      };
    }, `${shop}/phone/#/enrol/4K7QM-2ZT9A`);
    await tap(tab, 'Scan the code');
    await tab.waitForFunction(() => document.querySelector('input[name=code]').value === '4K7QM-2ZT9A');
    assert.equal(await decoderLoaded(tab), false, 'the decoder is not loaded');
  } finally {
    await phone.close();
  }
}

/** The office's sheet of tags, and what is on it of one machine. */
async function sheetOfTags({ shop, office, tag }) {
  return atTheDesk({ shop, office }, async (page) => {
    await page.goto(`${shop}/office/tags?find=yard`);
    await page.locator('.tags li').first().waitFor();
    await page.setViewportSize({ width: 1280, height: 900 });
    await look(page, 'office-tags-1280', { office: true });
    await page.setViewportSize({ width: 390, height: 844 });
    await look(page, 'office-tags-390', { office: true });
    const wider = await page.evaluate(() => [...document.querySelectorAll('body *')].filter((one) => one.getBoundingClientRect().right > document.documentElement.clientWidth + 1).map((one) => one.outerHTML.slice(0, 90)));
    assert.deepEqual(wider, []);
    const one = page.locator('.tags li').filter({ has: page.locator('strong', { hasText: new RegExp(`^${tag}$`) }) });
    assert.match(await one.textContent(), /Invented yard/);
    const drawn = await dotsOf(one.locator('svg'));
    // On paper: the tags, and nothing that is for the screen. Over WebDriver BiDi no other medium can be asked for.
    if (browser !== 'chromium') return drawn;
    // A tag is white paper, also where the computer's look is dark.
    await page.emulateMedia({ colorScheme: 'dark' });
    await look(page, 'office-tags-dark', { office: true });
    await page.emulateMedia({ colorScheme: 'light' });
    await page.emulateMedia({ media: 'print' });
    await page.setViewportSize({ width: 740, height: 1000 });
    assert.equal(await page.getByText('Print at full size').isVisible(), false);
    assert.equal(await page.locator('#found [role=status]').isVisible(), false);
    const box = await one.locator('svg').boundingBox();
    assert.ok(Math.abs(box.width - 32 * (96 / 25.4)) < 2, `the code is ${box.width} px wide on paper`);
    await page.screenshot({ path: path.join(pictures, 'office-tags-on-paper.png') });
    return drawn;
  });
}

/** A tag of the office's sheet leads to the machine, with no signal; what is no machine of this phone's is said in a sentence. */
export async function scansTags({ shop, url, codeFor, office }) {
  const rows = await sheetOfTags({ shop, office, tag: 'Q-101' });
  const begin = async ({ tab, phone }) => {
    await tap(tab, 'Enrol');
    await heading(tab, 'round');
    await tab.waitForFunction(() => document.getElementById('bar').textContent.includes('Exchanged'));
    await tab.waitForFunction(async () => !!(await navigator.serviceWorker.ready).active && !!navigator.serviceWorker.controller);
    await phone.setOffline(true);
  };
  const scanning = await phoneThatSees('scans-tag', rows, `${url}#/enrol/${codeFor('Pia Larkin')}`);
  try {
    await begin(scanning);
    await tap(scanning.tab, 'Scan a tag');
    await heading(scanning.tab, 'Q-101');
    // Back is where it was scanned from.
    await tap(scanning.tab, 'Back');
    await heading(scanning.tab, 'round');
  } finally {
    await scanning.phone.close();
  }
  const other = await phoneWithCanvas('scans-tags', `${url}#/enrol/${codeFor('Pia Larkin')}`);
  try {
    const { tab, sees } = other;
    await begin(other);
    await tap(tab, 'Scan a tag');
    await tab.locator('video').waitFor();
    await look(tab, 'scan-a-tag');
    const strange = '0190b7d2-0000-7000-8000-000000000000';
    const refused = async (text, words, name) => {
      await sees(dots(text));
      await complaint(tab, words);
      if (name) await look(tab, name);
      assert.equal(await tab.evaluate(() => location.hash), '#/scan');
      await sees([]);
      await tap(tab, 'Scan again');
      await tab.locator('video').waitFor();
    };
    await refused(`${shop}/phone/#/machine/${strange}`, 'That machine is not on this phone', 'scan-unknown-machine');
    await refused(`${shop}/phone/#/machine/no-machine`, 'That machine is not on this phone');
    await refused(`${ELSEWHERE}/phone/#/machine/${strange}`, `That tag is of the shop at ${ELSEWHERE}`);
    await refused(`${shop}/phone/#/enrol/00000-00000`, 'That is a one-time code of the office');
    await refused('Q-101', 'neither a one-time code of a shop nor the tag');
    // Printed when the shop had another address, it is still the tag of this machine.
    await sees(dots(`https://old.example/phone/#/machine/${office('show', 'Q-102').machine}`));
    await heading(tab, 'Q-102');
    await sees([]);
    await typesTag(tab, url);
    // Left in the middle, the camera is off.
    await tab.goto(`${url}#/scan`);
    await tab.locator('video').waitFor();
    await tab.evaluate(() => { window.track = document.querySelector('video').srcObject.getTracks()[0]; });
    await tap(tab, 'Back');
    await tab.waitForFunction(() => window.track.readyState === 'ended');
  } finally {
    await other.phone.close();
  }
}

/** What the tag says is typed, with a camera, with one that may not be used, and with none. */
async function typesTag(tab, url) {
  const type = async (tag) => {
    await tab.getByLabel('The tag, as it is written').fill(tag);
    await tap(tab, 'Open the machine');
  };
  await tab.goto(`${url}#/scan`);
  await tab.locator('video').waitFor();
  await type('no such tag');
  await complaint(tab, 'no machine');
  await type('q-101');
  await heading(tab, 'Q-101');
  await tab.evaluate(() => { navigator.mediaDevices.getUserMedia = () => Promise.reject(new Error('not allowed')); });
  await tab.goto(`${url}#/scan`);
  await complaint(tab, 'Type what the code or the tag says.');
  await look(tab, 'scan-no-leave');
  await type('Q-102');
  await heading(tab, 'Q-102');
  await tab.evaluate(() => { Object.defineProperty(navigator, 'mediaDevices', { value: undefined, configurable: true }); });
  await tab.goto(`${url}#/scan`);
  await tab.getByText('This page has no camera here').waitFor();
  await look(tab, 'scan-no-camera');
  await type('Q-102');
  await heading(tab, 'Q-102');
  await tab.reload();
  await heading(tab, 'Q-102');
}
