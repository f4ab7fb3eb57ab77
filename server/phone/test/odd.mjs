// The odd ways: what is in doubt, what contradicts, what waits, and what another device hands over.

import assert from 'node:assert/strict';
import path from 'node:path';

import { answerLeaf, begin, resume, through } from './hands.mjs';
import { heading, intoSight, look, openTab, tap } from './stage.mjs';

const press = async (tab, digits) => {
  for (const key of digits) await tab.getByRole('button', { name: key === '.' ? 'Point' : key, exact: true }).click();
};
const machine = async (tab, url, office, tag) => {
  await tab.goto(`${url}#/machine/${office('show', tag).machine}`);
  await heading(tab, tag);
};
const other = async (tab, what) => {
  await tab.getByText('Something else').click();
  await tab.getByRole('link', { name: what, exact: true }).click();
};

/** All of them, on a tech's phone that has an open visit to Q-102 with its first valve read. */
export async function odd({ tab, phone, url, office, folder }) {
  // An hour reading that cannot be: kept, in doubt, taken back.
  await machine(tab, url, office, 'Q-102');
  await other(tab, 'Read the hour meter');
  await press(tab, '12.5');
  await tap(tab, 'Keep');
  await heading(tab, 'in doubt');
  await look(tab, 'hours-in-doubt');
  await tap(tab, 'Undo it and enter it again');
  await heading(tab, 'hour meter');
  await tap(tab, 'Keep');
  await tab.locator('#trouble p').waitFor();
  await look(tab, 'hours-none-entered');
  await press(tab, '300.2');
  await tap(tab, 'Keep');
  await heading(tab, 'Q-102');
  await tab.getByText('300.2 h').first().waitFor();

  // A hold, and its clearing.
  await other(tab, 'Finding or hold');
  await tab.getByRole('button', { name: 'Blade loose' }).click();
  await tap(tab, 'Do not run this machine');
  await tab.locator('.box.stop').waitFor();
  await look(tab, 'machine-on-hold');
  await tap(tab, 'Clear it');
  await tab.getByLabel('How was it cleared?').fill('Tightened');
  await look(tab, 'hold-clearing');
  await tap(tab, 'Clear it');
  await tab.locator('.box.stop').waitFor({ state: 'detached' });
  await tab.getByText('History').click();
  await look(tab, 'machine-history');

  // A valve out of turn, and back: each keeps what was tried on it. A leaf that contradicts is refused, and nothing is lost.
  await tap(tab, 'Go on with the check');
  // The hour meter has moved since the engine was said to be cold.
  await resume(tab, 'Cold');
  assert.equal(await answerLeaf(tab, 6.5), true);
  const tried = () => tab.locator('.leaf-row .went, .leaf-row .went-not').count();
  const of = async (valve) => {
    await tab.locator('.valve-tab').filter({ hasText: valve }).click();
    await heading(tab, valve);
  };
  assert.equal(await tried(), 1);
  await of('2E');
  await tap(tab, 'It is there');
  await tab.locator('main.leaf-step').waitFor();
  assert.equal(await tried(), 0);
  await of('1E');
  await tap(tab, 'It is there');
  await tab.locator('main.leaf-step').waitFor();
  assert.equal(await tried(), 1);
  const before = await tab.locator('main .body > .drawn figcaption').textContent();
  const goes = await tab.locator('.leaf-row .went').count();
  await tab.locator('.leaf-row .leaf')[goes ? 'first' : 'last']().click();
  await tab.locator(goes ? '.answer:not(.goes)' : '.answer.goes').click();
  await tab.locator('#trouble p').waitFor();
  await look(tab, 'leaf-that-contradicts');
  assert.equal(await tried(), 1);
  assert.equal(await tab.locator('main .body > .drawn figcaption').textContent(), before);

  // Another unit: the same leaves said otherwise, or a plain set of that unit.
  await tab.goto(`${url}#/leaves`);
  await heading(tab, 'Your leaves');
  await tap(tab, 'mm');
  await tab.getByText('In mm').waitFor();
  await look(tab, 'leaves-mm');
  await machine(tab, url, office, 'Q-102');
  await tap(tab, 'Go on with the check');
  await tab.getByText('mm').first().waitFor();
  await look(tab, 'leaf-mm');
  await tab.goto(`${url}#/leaves`);
  await heading(tab, 'Your leaves');
  await tap(tab, 'thou');
  await tab.getByText('In thou').waitFor();

  // A warm engine settles nothing: its valves wait.
  await machine(tab, url, office, 'Q-101');
  await begin(tab, '1523.4', null, 'Warm');
  const title = await through(tab, { '1I': 5.2, '1E': 6.2, '2I': 5.2, '2E': 6.2 }, 6.2, 'warm');
  assert.match(title, /wait to be read again/);
  await look(tab, 'warm-rest');
  await tap(tab, 'Finish the visit');
  await heading(tab, 'Finish');
  assert.ok(await tab.locator('.box.warn li').count() > 0);
  await look(tab, 'finish-with-open');
  await tap(tab, 'Finish');
  await heading(tab, 'finished');
  assert.ok(await tab.locator('main li').count() > 0);
  await look(tab, 'finished-with-open');
  // Two checks, each with the four valves that were read in it: what a later one found takes nothing out of an earlier one.
  await machine(tab, url, office, 'Q-101');
  assert.deepEqual(await tab.locator('.valves > li').evaluateAll((rows) => rows.map((row) => row.querySelectorAll('.of-valve').length)), [4, 4]);
  await intoSight(tab, '.valves');
  await look(tab, 'machine-two-checks');

  // No engine card: both leaves are asked for, and nothing is judged.
  await machine(tab, url, office, 'Q-103');
  await look(tab, 'machine-no-card');
  await begin(tab, '10');
  await tap(tab, 'It is there');
  await tab.locator('main.leaf-step').waitFor();
  await look(tab, 'leaf-no-card');
  for (const [leaf, answer] of [['5', '.answer.goes'], ['6', '.answer:not(.goes)']]) {
    await tab.locator('.leaf-row .leaf', { hasText: new RegExp(`^${leaf}$`) }).click();
    await tab.locator(answer).click();
    await tab.waitForTimeout(150);
  }
  await tap(tab, 'Keep the reading');
  await tab.locator('main.kept .verdict').waitFor();
  await look(tab, 'kept-no-card');

  // A changed meter.
  await machine(tab, url, office, 'Q-103');
  await other(tab, 'The meter was changed');
  await heading(tab, 'old meter');
  await press(tab, '11');
  await look(tab, 'meter-old');
  await tap(tab, 'Keep');
  await heading(tab, 'new meter');
  await press(tab, '0');
  await tap(tab, 'Keep');
  await heading(tab, 'Q-103');

  // What another device hands over by file.
  const file = path.join(folder, 'office.bundle');
  office('office', 'property', 'add', 'Second yard');
  office('bundle', 'make', file);
  await tab.goto(`${url}#/status`);
  await heading(tab, 'Status');
  await tab.locator('input[type=file]').setInputFiles(file);
  await tab.getByText('taken in').first().waitFor();
  await look(tab, 'bundle-taken');
  await tap(tab, 'Prove the book');
  await tab.getByText('Every record and every row agree.').first().waitFor();

  // Two tabs: the other one answers, and what one keeps the other shows.
  const second = await openTab(phone, `${url}#/status`);
  await second.getByText('another tab').waitFor();
  await look(second, 'status-second-tab');
  await second.close();
}
