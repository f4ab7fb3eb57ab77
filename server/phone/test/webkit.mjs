// What WebKitGTK runs: it lends no files (no OPFS), so the page refuses honestly; and with a book in memory in that one's place, the screens
// of a visit, in the sizes that its window takes. No Playwright drives Debian's, so it is a walk of its own.

import assert from 'node:assert/strict';

import { startWebKit, until } from './driver.mjs';
import { standIn } from './newer.mjs';
import { axeOn, faults, pictures } from './stage.mjs';
import { sizes } from './sizes.mjs';

/** Its window is at least 447 px wide. */
const SIZES = [[447, 560], [447, 844], [844, 390], [844, 844, 200]];

/** The page as it is: said before anything is entered, and nothing is asked for that could not be kept. */
export async function refusesHonestly({ url }) {
  const { tab, close } = await startWebKit();
  try {
    await tab.goto(url);
    await tab.element('//main//p[contains(., "This browser cannot keep the book")]');
    assert.equal(await tab.evaluate(() => document.querySelectorAll('input, button').length), 0);
    faults.push(...await axeOn(tab, 'WebKitGTK, the refusal'));
  } finally {
    await close();
  }
}

/** A visit of one valve, with a book in memory: what is left out is keeping alone. */
export async function walksInMemory({ shop, codeFor, office }) {
  const app = await (await fetch(`${shop}/phone/app.js`)).text();
  const inMemory = app.replace("openKit('book.db'", "openKit(':memory:'").replace('!!navigator.storage?.getDirectory && ', '');
  assert.equal(app.length - inMemory.length, "'book.db'".length - "':memory:'".length + '!!navigator.storage?.getDirectory && '.length);
  const through = await standIn(shop, new Map([['/phone/app.js', inMemory]]));
  const { tab, close } = await startWebKit();
  const look = async (name) => {
    await tab.screenshot({ path: `${pictures}/webkit-${name}.png` });
    faults.push(...await axeOn(tab, `WebKitGTK, ${name}`), ...await sizes(tab, `webkit-${name}`, pictures, SIZES));
  };
  try {
    await tab.setViewportSize({ width: 447, height: 844 });
    await tab.goto(`${through.url}/phone/#/enrol/${codeFor('Pia Larkin')}`);
    await tab.heading('Enrol');
    await look('enrol');
    await tab.tap('Enrol');
    await tab.heading('round');
    await tab.element('//div[@id="bar"][contains(., "Exchanged")] | //*[@id="bar"][contains(., "Exchanged")]');
    await look('round');
    await tab.goto(`${through.url}/phone/#/start/${office('show', 'W-5').machine}`);
    await tab.heading('Before you begin');
    await look('cautions');
    await tab.tap('All so, and cold');
    await tab.heading('hour meter');
    for (const key of ['1', '2', 'Point', '5']) await tab.tap(key);
    await look('hours');
    await tab.tap('Keep');
    await tab.tap('It is there');
    await tab.element('//main[contains(@class, "leaf-step")]');
    await look('leaf');
    // 5 goes, 6 does not: in spec between 4 and 6.
    for (let taps = 0; taps < 6 && !(await tab.evaluate(() => !!document.querySelector('.kept-line'))); taps += 1) {
      const row = await tab.evaluate(() => { window.row = document.querySelector('.leaf-row'); return document.querySelector('.leaf-row .leaf[aria-pressed="true"]').textContent; });
      await tab.tap(Number(row) <= 5.4 ? `${row}, goes` : `${row}, does not go`);
      await until('the next question', () => tab.evaluate(() => !window.row.isConnected));
    }
    assert.match(await tab.text('//*[contains(@class, "kept-line")]'), /Kept: 1I, in spec/);
    await tab.tap('Exchange');
    await until('handed over', () => tab.evaluate(() => document.getElementById('bar').textContent.includes('Only on this phone: 0')));
    await tab.goto(`${through.url}/phone/#/status`);
    await tab.heading('Status');
    await look('status');
  } finally {
    await close();
    through.end();
  }
}
