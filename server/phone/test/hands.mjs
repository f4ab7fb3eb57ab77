// A tech's hands: what is tapped at an engine whose gaps are known, as the screens ask for it.

import { heading, look, tap } from './stage.mjs';

/** A leaf's label in thou: one leaf, or a stack of two. */
const thou = (label) => label.split('+').reduce((sum, leaf) => sum + Number(leaf.trim()), 0);

/** Answers one question about a leaf; false where the reading can be kept. What settles the valve is kept by that. */
export async function answerLeaf(tab, gap) {
  await tab.locator('main.leaf-step').waitFor();
  if (await tab.getByRole('button', { name: 'Keep the reading', exact: true }).count()) return false;
  const pressed = tab.locator('.leaf-row .leaf[aria-pressed="true"]');
  if (!(await pressed.count())) {
    // How loose, how tight: the leaf that is missing is picked by hand.
    const question = await tab.locator('main .ask').textContent();
    const all = await tab.locator('.leaf-row .leaf').allTextContents();
    const over = /does not go/.test(question) ? all.findIndex((leaf) => thou(leaf) > gap) : all.findLastIndex((leaf) => thou(leaf) <= gap);
    const row = await tab.locator('main .leaf-row').elementHandle();
    await tab.locator('.leaf-row .leaf').nth(over).click();
    // Asked how tight or how loose, that is the answer.
    if (/^How /.test(question)) {
      await tab.waitForFunction((one) => !one.isConnected, row);
      return true;
    }
  }
  const goes = thou(await pressed.textContent()) <= gap;
  const before = await tab.locator('main .leaf-row').elementHandle();
  await tab.locator(goes ? '.answer.goes' : '.answer:not(.goes)').click();
  // The screen is drawn anew.
  await tab.waitForFunction((row) => !row.isConnected, before);
  return true;
}

/** Reads the valve that is asked for until the reading is kept: by the leaf that settles it, or by a tap where none does. */
export async function read(tab, gap, name) {
  const heading = () => tab.locator('main h1').textContent();
  await tab.locator('main.leaf-step').waitFor();
  const asked = await heading();
  const still = async () => (await tab.locator('main.leaf-step').count()) > 0 && (await heading()) === asked && (await tab.locator('.leaf-row .went, .leaf-row .went-not').count()) > 0;
  for (let taps = 0; ; taps += 1) {
    if (!(await answerLeaf(tab, gap))) {
      if (name) await look(tab, `${name}-keep`);
      await tap(tab, 'Keep the reading');
      break;
    }
    if (!(await still())) break;
    if (taps === 0 && name) await look(tab, `${name}-one-leaf-tried`);
    if (taps > 12) throw new Error('the leaves never end');
  }
  await tab.getByRole('button', { name: 'Take it back', exact: true }).first().waitFor();
  if (name) await look(tab, `${name}-kept`);
}

/** What is tapped where cautions and cold are confirmed together. */
const COLD = { Cold: 'All so, and cold', Warm: 'All so, but warm' };

/** Reads a list to its end before it is confirmed; gives how many taps that took. */
export async function readOn(tab) {
  let taps = 0;
  await tab.waitForTimeout(80);
  for (; await tab.getByRole('button', { name: 'Read on', exact: true }).count(); taps += 1) {
    await tap(tab, 'Read on');
    await tab.waitForTimeout(150);
  }
  return taps;
}

/** Opens a visit from the machine's screen: the cautions and cold, the hours. */
export async function begin(tab, hours, name, cold = 'Cold') {
  await tap(tab, 'Begin the check');
  await begun(tab, hours, name, cold);
}

/** The same from the cautions on. */
export async function begun(tab, hours, name, cold = 'Cold') {
  await heading(tab, 'Before you begin');
  await tab.locator('.read-first button').first().waitFor();
  if (name) await look(tab, `${name}-cautions`);
  await readOn(tab);
  await tap(tab, COLD[cold]);
  await heading(tab, 'hour meter');
  for (const key of hours) await tab.getByRole('button', { name: key === '.' ? 'Point' : key, exact: true }).click();
  if (name) await look(tab, `${name}-hours`);
  await tab.getByRole('button', { name: 'Keep', exact: true }).click();
}

/** Goes on with a visit: the cautions again, and whether the engine is cold where that is asked. */
export async function resume(tab, cold) {
  await heading(tab, 'Before you begin');
  await readOn(tab);
  await tap(tab, cold ? COLD[cold] : 'All of this is so');
}

/** Goes through a whole engine: gaps in thou per valve; a valve that is off is set to `to`. Ends where every valve has been through. */
export async function through(tab, gaps, to, name) {
  const seen = new Set();
  for (let steps = 0; steps < 80; steps += 1) {
    await tab.locator('main.check, main.leaf-step').first().waitFor();
    const title = await tab.locator('main h1').textContent();
    const [, valve, stage] = title.split(' · ');
    const named = (what) => (name && !seen.has(what) ? (seen.add(what), `${name}-${what}`) : undefined);
    const shot = async (what) => { const as = named(what); if (as) await look(tab, as); };
    if (/been through|wait|too close/i.test(title)) return title;
    const box = tab.locator('main');
    const there = box.getByRole('button', { name: 'It is there' });
    if (await there.count()) {
      // A tap that is still being answered: the screen that comes is another.
      if (await there.first().getAttribute('aria-disabled', { timeout: 500 }).catch(() => 'true') === 'true') {
        await tab.waitForTimeout(60);
        continue;
      }
      await shot('piston');
      await tap(tab, 'It is there');
    } else if (await box.getByRole('button', { name: /Yes, done|Read on/ }).count()) {
      await shot(stage === 'set' ? 'adjust' : 'turn-over');
      if (stage === 'set') gaps[valve] = to;
      await readOn(tab);
      await tap(tab, 'Yes, done');
    } else if (await box.getByRole('button', { name: 'Go on', exact: true }).count()) {
      await tap(tab, 'Go on');
    } else if (await box.getByRole('button', { name: 'Leave it as it is' }).count()) {
      await shot('at-a-limit');
      await tap(tab, 'Leave it as it is');
    } else {
      await shot('leaf');
      await read(tab, gaps[valve], named(`${valve}-${stage}`));
    }
    await tab.waitForTimeout(60);
  }
  throw new Error('the check never ends');
}
