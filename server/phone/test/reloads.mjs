// A large shop on a phone: its first fill says how far it is, and a page that is loaded again and again, each time in the middle of an
// exchange, is never stuck:   node test/reloads.mjs [MACHINES] [TIMES]   (2000 and 50; TAPPET_BIN as for ./check)

import assert from 'node:assert/strict';

import { loadedAgain } from './browsers.mjs';
import { clear, faults, heading, openTab, startPhone, startServer, tap, terminal } from './stage.mjs';

const [machines, times] = [Number(process.argv[2] ?? 2000), Number(process.argv[3] ?? 50)];
/** Machines at one property. */
const AT_ONE = 100;

const { server, url: shop, code } = await startServer();
const url = `${shop}/phone/`;
try {
  const office = terminal('office');
  office('enrol', '--server', shop, '--code', code);
  office('office', 'person', 'add', 'Pia Larkin', '--role', 'tech');
  office('office', 'card', 'add', '--name', 'Invented twin', '--cylinders', '2', '--intake', '4-6', '--exhaust', '5-7', '--source-manual',
    'Invented manual', '--source-page', '12', '--hours', '100', '--months', '6');
  for (let n = 0; n * AT_ONE < machines; n += 1) {
    office('office', 'property', 'add', `Invented yard ${n + 1}`);
    office('office', 'assign', 'Pia Larkin', `Invented yard ${n + 1}`);
  }
  office('exchange');
  const codeFor = () => office('office', 'device', 'code', 'Pia Larkin').code;

  const first = await startPhone('enters');
  first.setDefaultTimeout(60_000);
  const tab = await openTab(first, `${url}#/enrol/${codeFor()}`);
  await tap(tab, 'Enrol');
  await tab.locator('a.place-of').first().waitFor({ timeout: 60_000 });
  // A screen that is not drawn again for each.
  await tab.goto(`${url}#/leaves`);
  const began = Date.now();
  await tab.evaluate(async ([many, atOne]) => {
    const kit = await (await import('./kit/kit.js')).openKit();
    const [yards, [card]] = [await kit.properties(), await kit.engineCards()];
    for (let n = 0; n < many; n += 1) {
      await kit.addMachine({ tag: `M-${n + 1}`, description: 'Invented ride-on', property: yards[Math.floor(n / atOne)].property, engine_card: card.card, duty: 'commercial', provisional: true });
    }
    await kit.exchange();
    kit.close();
  }, [machines, AT_ONE]);
  await first.close();
  console.log(`      ${machines} machines entered and handed over in ${Math.round((Date.now() - began) / 1000)} s`);

  const fills = await startPhone('fills');
  fills.setDefaultTimeout(60_000);
  const filled = await openTab(fills, url);
  await filled.evaluate(() => {
    window.said = new Set();
    new MutationObserver(() => { window.said.add(`${document.getElementById('bar').textContent} | ${document.getElementById('screen').textContent}`); })
      .observe(document.body, { subtree: true, childList: true, characterData: true });
  });
  await filled.goto(`${url}#/enrol/${codeFor()}`);
  const from = Date.now();
  await tap(filled, 'Enrol');
  await heading(filled, 'round');
  await filled.waitForFunction(() => document.getElementById('bar').textContent.includes('Exchanged'), null, { timeout: 300_000 });
  console.log(`      filled in ${Date.now() - from} ms`);
  const said = await filled.evaluate(() => [...window.said]);
  assert.ok(!said.some((text) => text.includes('No property is yours yet')), 'never said while it is filled');
  const far = [...new Set(said.flatMap((text) => text.match(/Filling this phone: [^|]*?machines/g) ?? []))];
  console.log(`      while it was filled: ${far.join('; ')}`);
  const counts = new Set(far.map((text) => Number(/([\d,]+)(?: of [\d,]+)? machines/.exec(text)?.[1].replaceAll(',', ''))));
  const between = [...counts].filter((n) => n > 0 && n < machines);
  assert.ok(between.length >= 3, `machines are told as they come: ${[...counts].join(', ')}`);
  const looked = await filled.evaluate(async () => {
    const kit = await (await import('./kit/kit.js')).openKit();
    const took = [];
    for (const words of ['m', 'm-1', 'm-19', 'yard 3', 'twin 199']) {
      const start = performance.now();
      const { found } = await kit.duePage({ find: words });
      took.push(`"${words}" ${found} in ${Math.round(performance.now() - start)} ms`);
    }
    kit.close();
    return took.join(', ');
  });
  console.log(`      looked for: ${looked}`);
  await fills.close();

  console.log(`ok    loaded again in the middle of an exchange: ${await loadedAgain({ url, code: codeFor(), times })}`);
} catch (error) {
  console.log(`FAIL  ${error.stack ?? error}`);
  process.exitCode = 1;
} finally {
  server.kill('SIGINT');
  clear();
}
for (const fault of faults) console.log(`FAULT ${fault}`);
