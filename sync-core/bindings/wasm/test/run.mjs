// The kit in headless Chromium against the real server: one test after another, one line each; ends with 1 where one fails.

import assert from 'node:assert/strict';
import { readFileSync, writeFileSync } from 'node:fs';
import { brotliCompressSync, gzipSync } from 'node:zlib';
import path from 'node:path';
import { fileURLToPath } from 'node:url';

import { damageBook, putToRest } from './damage.mjs';
import { keys } from './keys.mjs';
import { shapes } from './shapes.mjs';
import { clear, folder, openTab, startOrigin, startPhone, startServer, terminal } from './stage.mjs';

const wasm = path.dirname(path.dirname(fileURLToPath(import.meta.url)));
const figures = {};
let failed = 0;

async function test(what, body) {
  try {
    await body();
    console.log(`ok    ${what}`);
  } catch (error) {
    failed += 1;
    console.log(`FAIL  ${what}\n${error.stack ?? error}`);
  }
}

const median = (list) => [...list].sort((a, b) => a - b)[Math.floor(list.length / 2)];

const { server, url: shop, code } = await startServer();
const { origin, url, counts } = await startOrigin(shop);
const phone = await startPhone('tech');

try {
  // An invented yard with two machines; a tech with a phone of a browser, a lead with a native device.
  const office = terminal('office');
  office('enrol', '--server', shop, '--code', code);
  office('office', 'person', 'add', 'Pia Larkin', '--role', 'tech');
  office('office', 'person', 'add', 'Lida Quill', '--role', 'lead');
  office('office', 'card', 'add', '--name', 'Invented twin', '--cylinders', '2', '--intake', '4-6', '--exhaust', '5-7', '--source-manual',
    'Invented manual', '--source-page', '12', '--hours', '100', '--months', '6', '--thread', 'M6x1', '--rocker', 'rocker-stud-nut', '--ratio', '1.3');
  office('office', 'property', 'add', 'Invented yard', '--access', 'Gate on the left');
  for (const tag of ['Q-101', 'Q-102']) office('office', 'machine', 'add', tag, '--property', 'Invented yard', '--card', 'Invented twin');
  for (const who of ['Pia Larkin', 'Lida Quill']) office('office', 'assign', who, 'Invented yard');
  office('exchange');
  const codeFor = (who) => office('office', 'device', 'code', who).code;

  await test('the conformance vectors hold in the browser', async () => {
    const tab = await openTab(phone, url);
    for (const name of ['records', 'changes', 'standings', 'exchange', 'tokens']) {
      const cases = await tab.evaluate(async (file) => {
        const { default: init, checkVectors } = await import('/pkg-vectors/tappet_kit.js');
        await init();
        return checkVectors(file, await (await fetch(`/vectors/${file}`)).text());
      }, `${name}.json`);
      assert.ok(cases > 5, `${name}: ${cases}`);
      figures[`vectors, ${name}.json`] = `${cases} cases`;
    }
    // They can fail: one letter of a reason is another.
    const wrong = await tab.evaluate(async () => {
      const { checkVectors } = await import('/pkg-vectors/tappet_kit.js');
      const text = await (await fetch('/vectors/standings.json')).text();
      try { checkVectors('standings.json', text.replace('lead over tech', 'lead above tech')); return null; } catch (error) { return String(error); }
    });
    assert.match(wrong, /does not hold/);
    await tab.close();
  });

  let machine;
  await test('a phone enrols, exchanges and sees its round', async () => {
    const tab = await openTab(phone, url);
    const seen = await tab.evaluate(async (oneTime) => {
      const kit = await openKit();
      window.kit = kit;
      const before = await kit.status();
      const refused = await kit.enrol('00000-00000', 'phone').catch((error) => error.code);
      const enrolled = await kit.enrol(oneTime, 'phone');
      const levelled = await kit.exchange();
      const round = await kit.round();
      const cautions = await kit.cautions(round[0].due[0].machine);
      return { before, refused, enrolled, levelled, round, after: await kit.status(), cautions };
    }, codeFor('Pia Larkin'));
    assert.equal(seen.before.enrolled, false);
    assert.equal(seen.refused, 'code-invalid');
    assert.equal(seen.enrolled.person_name, 'Pia Larkin');
    assert.ok(seen.levelled.level && seen.levelled.received > 0);
    assert.deepEqual(seen.round.map((stop) => [stop.name, stop.due.map((line) => line.tag)]), [['Invented yard', ['Q-101', 'Q-102']]]);
    assert.equal(seen.after.waiting, 0);
    assert.equal(seen.after.role, 'tech');
    assert.match(seen.cautions.cautions[0], /^Key out/);
    machine = seen.round[0].due[1].machine;
    await tab.close();
  });

  await test('a reading kept survives the closing of its tab, at once', async () => {
    const tab = await openTab(phone, url);
    const record = await tab.evaluate(async (id) => {
      const kit = await openKit();
      await kit.openVisit(id, { cold: true, cautions_confirmed: true });
      await kit.remember('trial', { valve: '1E', tried: [5] });
      return (await kit.takeReading(id, { valve: '1I', stage: 'found', go_tenth_um: 5 * 254, no_go_tenth_um: 6 * 254 })).record;
    }, machine);
    await tab.close({ runBeforeUnload: false });
    const again = await openTab(phone, url);
    const found = await again.evaluate(async (id) => {
      const kit = await openKit();
      const [guide, status, half] = [await kit.guide(id), await kit.status(), await kit.remembered('trial')];
      return { first: guide.valves[0], next: guide.next, status, half, clean: (await kit.verify()).clean };
    }, machine);
    assert.equal(found.first.last.record, record);
    assert.equal(found.next, '1E');
    assert.deepEqual(found.half, { valve: '1E', tried: [5] });
    assert.ok(found.status.warn && found.status.waiting === 2, JSON.stringify(found.status));
    assert.equal(found.clean, true);
    await again.close();
  });

  await test('of two tabs one has the book, and answers for the other; when it goes, the other takes over', async () => {
    const first = await openTab(phone, url);
    await first.evaluate(async () => { window.kit = await openKit(); });
    const second = await openTab(phone, url);
    const heard = await second.evaluate(async (id) => {
      window.moves = [];
      window.kit = await openKit();
      window.kit.onmoved = (moved) => { window.moves.push(moved); };
      const note = await window.kit.addNote(id, 'Gate was open');
      return { has: window.kit.has, note, tag: (await window.kit.machine(id)).tag, refused: await window.kit.addNote(id, '').catch((e) => e.code) };
    }, machine);
    assert.equal(heard.has, 'elsewhere');
    assert.equal(heard.tag, 'Q-102');
    assert.equal(heard.refused, 'body-invalid');
    assert.equal(await first.evaluate(() => window.kit.has), 'here');
    await second.waitForFunction(() => window.moves.length > 0);
    assert.deepEqual((await second.evaluate(() => window.moves[0])).documents, [machine]);
    // Both write at once; each is kept, in one book that verifies.
    const write = (tab, from) => tab.evaluate(async ([id, name]) => {
      for (let n = 0; n < 10; n += 1) await window.kit.addNote(id, `${name} ${n}`);
    }, [machine, from]);
    await Promise.all([write(first, 'first'), write(second, 'second')]);
    // The tab that has the book goes away in the middle of what the other asks: each is answered, and each note is kept once.
    const asking = second.evaluate(async (id) => {
      const asked = [];
      for (let n = 0; n < 40; n += 1) {
        asked.push(window.kit.addNote(id, `over ${n}`), window.kit.machine(id));
        await new Promise((resolve) => { setTimeout(resolve, 5); });
      }
      return (await Promise.allSettled(asked)).filter((one) => one.status === 'rejected').map((one) => one.reason.code);
    }, machine);
    await second.waitForTimeout(60);
    await first.close({ runBeforeUnload: false });
    assert.deepEqual(await asking, []);
    await second.waitForFunction(() => window.kit.has === 'here');
    const over = await second.evaluate(async (id) => (await window.kit.history(id)).map((line) => line.words).filter((text) => text.startsWith('note: over')), machine);
    assert.deepEqual([over.length, new Set(over).size], [40, 40]);
    const after = await second.evaluate(async (id) => ({ history: await window.kit.history(id), verified: await window.kit.verify() }), machine);
    assert.equal(after.history.filter((line) => /^note: (first|second) \d$/.test(line.words)).length, 20);
    assert.deepEqual(after.verified, { clean: true, faults: [] });
    await second.close();
  });

  await test('what the kit gives has the shape that kit.d.ts says', async () => {
    const tab = await openTab(phone, url);
    const given = await tab.evaluate(async (id) => {
      const kit = await openKit();
      const guide = await kit.guide(id);
      return {
        Status: await kit.status(), Stop: (await kit.round())[0], DueLine: (await kit.due())[0], DuePage: await kit.duePage({}), RoundPage: await kit.roundPage({ find: '' }), MachineView: await kit.machine(id),
        HistoryLine: (await kit.history(id))[0], Guide: guide, ValveGuide: guide.valves[0], ReadingOutcome: guide.valves[0].last,
        TrialView: await kit.trial(id, '1E', []), Leaves: await kit.leaves(), Moved: await kit.moved(0), NextLeaf: await kit.firstLeaf(id, '1E'),
      };
    }, machine);
    shapes(readFileSync(path.join(wasm, 'kit.d.ts'), 'utf8'), given);
    await tab.close();
  });

  await test('no signal is said in a sentence, and what is unsent goes to a file that another device takes in', async () => {
    const tab = await openTab(phone, url);
    await tab.evaluate(async () => { window.kit = await openKit(); });
    await phone.setOffline(true);
    const offline = await tab.evaluate(() => window.kit.exchange().catch((error) => [error.code, error.message]));
    assert.equal(offline[0], 'shop-away');
    assert.match(offline[1], /Nothing is lost/);
    const download = tab.waitForEvent('download');
    const { files, bytes } = await tab.evaluate(() => window.kit.saveUnsent());
    assert.ok(files === 1 && bytes > 200, `${files} files, ${bytes} bytes`);
    const saved = readFileSync(await (await download).path());
    assert.equal(saved.length, bytes, (await download).suggestedFilename());
    await phone.setOffline(false);
    await tab.close();
  });

  await test('a phone and a native device that disagree about a valve end in the same standing', async () => {
    const lead = terminal('lead');
    lead('enrol', '--server', shop, '--code', codeFor('Lida Quill'));
    // 1I as found: the phone has read 5/6, the lead reads 2/3.
    lead('visit', 'open', 'Q-102', '--cold', '--cautions-read');
    try { lead('read', 'Q-102', '1I', 'found', '2/3'); } catch (error) { if (error.status !== 3 && !error.stdout) throw error; }
    const tab = await openTab(phone, url);
    await tab.evaluate(async () => { window.kit = await openKit(); });
    const exchangeNative = () => { try { lead('exchange'); } catch (error) { if (!error.stdout) throw error; } };
    for (let n = 0; n < 2; n += 1) {
      const done = await tab.evaluate(() => window.kit.exchange());
      assert.ok(done.level && done.refused.length === 0, JSON.stringify(done));
      exchangeNative();
    }
    await tab.evaluate(() => window.kit.exchange());
    const here = await tab.evaluate(async (id) => {
      const view = await window.kit.machine(id);
      return { lash: view.lash, contested: view.state.contested, slots: await window.kit.contested(), waiting: (await window.kit.status()).waiting };
    }, machine);
    const there = lead('show', 'Q-102');
    const [mine] = here.lash;
    assert.equal(mine.state, 'contested');
    assert.deepEqual(here.lash, there.lash);
    assert.deepEqual(here.contested, there.state.contested);
    assert.equal(here.slots[0].readings.length, 2);
    // Lead over tech: design section 6, rule 4.
    assert.equal(here.slots[0].readings.find((reading) => reading.stands).by, 'Lida Quill');
    assert.equal(here.waiting, 0);
    await tab.close();
  });

  await test('how fast: opened, and a reading kept', async () => {
    const tab = await openTab(phone, url);
    // The processor four times slower, as Chromium's tools do it for a page. How far that reaches its worker is not known here.
    const throttled = process.argv.includes('--throttled');
    if (throttled) {
      const session = await phone.newCDPSession(tab);
      await session.send('Emulation.setCPUThrottlingRate', { rate: 4 });
    }
    const opened = [];
    for (let n = 0; n < 5; n += 1) {
      opened.push(await tab.evaluate(async () => {
        const from = performance.now();
        const kit = await openKit();
        await kit.round();
        const took = performance.now() - from;
        kit.close();
        return took;
      }));
      await new Promise((resolve) => { setTimeout(resolve, 200); });
    }
    const kept = await tab.evaluate(async (id) => {
      const kit = await openKit();
      const times = [];
      for (let n = 0; n < 41; n += 1) {
        const from = performance.now();
        await kit.takeReading(id, { valve: '2E', stage: 'found', go_tenth_um: 5 * 254 + n, no_go_tenth_um: 7 * 254 });
        times.push(performance.now() - from);
      }
      return times.slice(1);
    }, machine);
    figures['the page throttled four times'] = String(throttled);
    figures['opened and the round shown, median of 5'] = `${median(opened).toFixed(0)} ms`;
    figures['a reading kept, median of 40'] = `${median(kept).toFixed(1)} ms`;
    assert.ok(kept.length === 40 && median(kept) < 200, String(median(kept)));
    await tab.close();
  });

  await keys({ test, phone, url, counts, codeFor, machine, figures });

  await test('of a book that is damaged, what was not handed over is saved, and another device takes it in', async () => {
    let broken = await startPhone('damaged');
    try {
      let tab = await openTab(broken, url);
      await tab.evaluate(async ([oneTime, id]) => {
        const kit = await openKit();
        await kit.enrol(oneTime, 'phone that breaks');
        await kit.exchange();
        await kit.addNote(id, 'kept by the phone that broke');
        kit.close();
      }, [codeFor('Pia Larkin'), machine]);
      await putToRest(tab, '/kit.js');
      await broken.close();
      damageBook(path.join(folder, 'profile-damaged'));
      broken = await startPhone('damaged');
      tab = await openTab(broken, url);
      const said = await tab.evaluate(async () => {
        const error = await openKit().catch((one) => one);
        const { bundles, ...counts } = await error.kit.salvage();
        const later = await error.kit.status().catch((one) => one.code);
        error.kit.close();
        return { code: error.code, counts, later, bundles: bundles.map((bytes) => [...bytes]) };
      });
      assert.ok(['not-a-book', 'book-damaged'].includes(said.code) && said.later === said.code, `${said.code}, ${said.later}`);
      assert.deepEqual(said.counts, { documents: 1, changes: 1, quarantined: 0, unreadable: 0 });
      const file = path.join(folder, 'saved.bundle');
      writeFileSync(file, Buffer.from(said.bundles[0]));
      assert.ok(office('bundle', 'take', file).taken > 0);
      assert.match(JSON.stringify(office('show', 'Q-102').notes), /kept by the phone that broke/);
    } finally {
      await broken.close();
    }
  });

  const module = readFileSync(path.join(wasm, 'pkg/tappet_kit_bg.wasm'));
  const [gzip, brotli] = [gzipSync(module, { level: 9 }).length, brotliCompressSync(module).length];
  figures['size of the module'] = `${module.length} bytes, ${gzip} with gzip, ${brotli} with brotli`;
  figures['content-encoding of exchanges'] = [...counts.encodings].join(', ');
} finally {
  await phone.close();
  origin.close();
  server.kill('SIGINT');
  clear();
}
for (const [what, figure] of Object.entries(figures)) console.log(`      ${what}: ${figure}`);
process.exitCode = failed > 0 ? 1 : 0;
