// The lessons: open by themselves for a helper and folded for a tech, a crank that is turned with a slider, and the office's sheet of paper.

import assert from 'node:assert/strict';

import { atTheDesk } from './desk.mjs';
import { begin } from './hands.mjs';
import { axeOn, browser, faults, heading, look, tap } from './stage.mjs';
import { enrolled } from './ways.mjs';

/** The first question of a check that has a lesson: where the piston is to be. */
async function atThePiston(person, url, machine) {
  await person.tab.goto(`${url}#/machine/${machine}`);
  await begin(person.tab, '50.0');
  await person.tab.getByRole('button', { name: 'It is there', exact: true }).waitFor();
  return person.tab.locator('details.lesson');
}

export async function lessons({ url, codeFor, office }) {
  const machine = office('show', 'W-5').machine;
  const helper = await enrolled('taught', url, codeFor('Hal Birch'));
  const tech = await enrolled('knows', url, codeFor('Pia Larkin'));
  try {
    const shown = await atThePiston(helper, url, machine);
    assert.equal(await shown.getAttribute('open'), '', 'for a helper it is open');
    await shown.getByText('Top dead center of the compression stroke, the place to check.').waitFor();
    await look(helper.tab, 'lesson-at-the-top');
    const slider = shown.getByRole('slider', { name: 'Turn the crank' });
    const seen = new Set();
    for (const degrees of [-450, -360, -270, -60]) {
      await slider.fill(String(degrees));
      await helper.tab.waitForFunction((said) => document.querySelector('details.lesson svg text:last-of-type').textContent === said, `${-degrees}° before it`);
      seen.add(await shown.locator('figcaption').textContent());
    }
    assert.equal(seen.size, 4, 'each place says something else');
    assert.ok([...seen].some((said) => said.includes('the wrong one')));
    assert.equal(await slider.getAttribute('aria-valuetext'), '60 degrees before the place to check');
    await look(helper.tab, 'lesson-turned');
    const folded = await atThePiston(tech, url, machine);
    assert.equal(await folded.getAttribute('open'), null, 'for a tech it is folded away');
    await folded.locator('summary').click();
    await folded.getByText('Turn on. The intake rocker').waitFor();
  } finally {
    await helper.phone.close();
    await tech.phone.close();
  }
}

/** From what somebody says of the machine to what is looked at, and on to the check; what the book knows of its valves is said. */
export async function symptoms({ tab, url, office }) {
  const machine = office('show', 'Q-101').machine;
  await tab.goto(`${url}#/machine/${machine}`);
  await heading(tab, 'Q-101');
  await tab.getByText('Something else').first().click();
  await tap(tab, 'What is wrong with it?');
  await tab.getByText('What does it do?').waitFor();
  await look(tab, 'symptoms');
  await tap(tab, 'It ticks, clatters or knocks');
  await heading(tab, 'Q-101: It ticks, clatters or knocks');
  const looks = await tab.locator('ol.looks > li').allTextContents();
  assert.equal(looks.length, 4);
  assert.match(looks[0], /^Oil/, 'what costs the engine comes first');
  await look(tab, 'symptom');
  await tap(tab, 'Begin the check');
  await heading(tab, 'Before you begin');
  await tab.goto(`${url}#/round`);
  await heading(tab, 'round');
}

export async function workCard({ shop, office }) {
  const machine = office('show', 'Q-101').machine;
  await atTheDesk({ shop, office }, async (page) => {
    await page.goto(`${shop}/office/machines/${machine}`);
    await page.getByRole('link', { name: 'Its work card to print' }).click();
    await heading(page, 'Work card for Q-101');
    await look(page, 'work-card', { office: true });
    assert.equal(await page.locator('svg.taught').count(), 8);
    await page.setViewportSize({ width: 390, height: 844 });
    faults.push(...await axeOn(page, 'work card at 390'));
    const wide = await page.evaluate(() => document.documentElement.scrollWidth);
    assert.ok(wide <= 390, `${wide} px of 390`);
    // Firefox prints no file for a test.
    if (browser !== 'chromium') return;
    for (const format of ['Letter', 'A4']) {
      const paper = await page.pdf({ format });
      assert.equal(paper.toString('latin1').match(/\/Type\s*\/Page\b(?!s)/g).length, 1, `one sheet of ${format}`);
    }
  });
}
