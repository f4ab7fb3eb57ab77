// A valve at an end of its range that no leaf settles: setting it to the aim is the first that is offered, in one tap.

import assert from 'node:assert/strict';

import { begin, read } from './hands.mjs';
import { heading, look, tap } from './stage.mjs';

/** Both valves of Q-104 are too close to call: 6.2 thou in 4 to 6, and 7.2 in 5 to 7. */
export async function atALimit({ tab, url, office }) {
  await tab.goto(`${url}#/machine/${office('show', 'Q-104').machine}`);
  await heading(tab, 'Q-104');
  await begin(tab, '50.0');
  await heading(tab, '1I');
  // Drawn from the card: one cylinder, this valve marked, and no adjuster, since the card does not say where it sits.
  assert.deepEqual([await tab.locator('.engine .head').count(), await tab.locator('.engine .this text').allTextContents()], [1, ['1I']]);
  assert.equal(await tab.getByText('The adjuster is').count(), 0);
  await tap(tab, 'It is there');
  const offered = async () => (await tab.locator('main .hand button, main .hand a').allTextContents()).filter((words) => words !== 'Take it back');
  const first = async (words) => {
    assert.equal((await offered())[0], words);
    assert.equal(await tab.locator('main .hand .main').textContent(), words);
  };
  // The other valve is not found yet: nothing is set before it is.
  await read(tab, 6.2);
  assert.deepEqual(await offered(), ['Go on']);
  await tap(tab, 'Go on');
  await read(tab, 7.2);
  await first('Set 1E to the aim');
  await look(tab, 'at-a-limit-kept');
  await tap(tab, 'Leave it as it is');
  await heading(tab, 'Too close to call');
  await first('Set 1I to the aim');
  assert.deepEqual(await tab.locator('main .choices button').allTextContents(), ['Set 1E to the aim']);
  await look(tab, 'at-a-limit-rest');
  // One tap, and what is asked next is whether it is done.
  await tap(tab, 'Set 1I to the aim');
  await tap(tab, 'It is there');
  await tab.getByText('Set to the aim, and locked again?').waitFor();
  await tab.getByText('Hold the adjuster still while').waitFor();
  await look(tab, 'at-a-limit-set');
  await tap(tab, 'Yes, done');
  await read(tab, 5.4);
  assert.match(await tab.locator('.kept-line').textContent(), /1I, in spec/);
}
