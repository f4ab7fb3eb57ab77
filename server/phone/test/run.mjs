// The phone's page in a headless browser at 390 x 844 against the real server: one test after another, one line each; ends with 1 where
// one fails, or a screen has a fault. TAPPET_BROWSER says which: chromium, or firefox. Pictures of every screen go to pictures/. With
// words, only the tests whose names have them.

import assert from 'node:assert/strict';
import path from 'node:path';

import { answerLeaf, begin, read, resume, through } from './hands.mjs';
import { damagedBook } from './damaged.mjs';
import { measure } from './figures.mjs';
import { atALimit } from './limits.mjs';
import { namesThatAreNot } from './names.mjs';
import { newerPage } from './newer.mjs';
import { odd } from './odd.mjs';
import { loadedAgain, lockStillHeld, neverAnswered, noFiles } from './browsers.mjs';
import { pictureAtShop, refusals, takePhoto } from './photos.mjs';
import { detectorOfItsOwn, scansCodes, scansTags } from './scans.mjs';
import { canWebKit } from './driver.mjs';
import { lessons, symptoms, workCard } from './lessons.mjs';
import { peopleMeet, readToTheEnd, takenBack, taps, theWays } from './ways.mjs';
import { refusesHonestly, walksInMemory } from './webkit.mjs';
import { browser, clear, clearPictures, faults, folder, heading, lastSeen, look, openTab, pictures, saved, screenOf, startPhone, startServer, tap, terminal } from './stage.mjs';

clearPictures();
const figures = {};
let failed = 0;

/** Only tests with these words in their names, and the enrolment before them. */
const only = process.argv[2];

async function test(what, body) {
  if (only && !what.includes(only) && !what.includes('enrols')) return;
  lastSeen.length = 0;
  try {
    await body();
    console.log(`ok    ${what}`);
  } catch (error) {
    failed += 1;
    console.log(`FAIL  ${what}\n${error.stack ?? error}`);
    for (const [n, page] of phone.pages().entries()) {
      lastSeen.push(await screenOf('tech', page));
      await page.screenshot({ path: path.join(pictures, `fail-${failed}-${n}.png`) }).catch(() => {});
    }
    console.log(lastSeen.join('\n'));
  }
}

const { server, url: shop, code } = await startServer();
const url = `${shop}/phone/`;
const phone = await startPhone('tech');
/** Where the check is, and what was tried. */
const state = async (tab) => ({
  title: await tab.locator('main h1').textContent(), question: await tab.locator('main .ask').textContent(),
  tried: await tab.locator('.leaf-row .went, .leaf-row .went-not').count(), so: await tab.locator('main .body > .drawn figcaption').textContent(),
});
const barSays = (tab, words) => tab.waitForFunction((text) => document.getElementById('bar').textContent.includes(text), words, { timeout: 20_000 });

try {
  // An invented yard with two machines; a tech and a lead.
  const office = terminal('office');
  office('enrol', '--server', shop, '--code', code);
  office('office', 'person', 'add', 'Pia Larkin', '--role', 'tech');
  office('office', 'person', 'add', 'Lida Quill', '--role', 'lead');
  office('office', 'card', 'add', '--name', 'Invented twin', '--cylinders', '2', '--intake', '4-6', '--exhaust', '5-7', '--source-manual',
    'Invented manual', '--source-page', '12', '--hours', '100', '--months', '6', '--thread', 'M6x1', '--rocker', 'rocker-stud-nut', '--ratio', '1.3', '--ignition', 'spark');
  office('office', 'property', 'add', 'Invented yard', '--access', 'Gate on the left');
  for (const tag of ['Q-101', 'Q-102']) office('office', 'machine', 'add', tag, '--property', 'Invented yard', '--card', 'Invented twin');
  office('office', 'machine', 'add', 'Q-103', '--property', 'Invented yard');
  office('office', 'card', 'add', '--name', 'Invented single', '--cylinders', '1', '--intake', '4-6', '--exhaust', '5-7', '--aim-intake', '5',
    '--aim-exhaust', '6', '--source-manual', 'Invented manual', '--source-page', '14', '--hours', '100');
  office('office', 'machine', 'add', 'Q-104', '--property', 'Invented yard', '--card', 'Invented single');
  for (const who of ['Pia Larkin', 'Lida Quill']) office('office', 'assign', who, 'Invented yard');
  // A yard with more than a screen of them, and one that a visit's taps are counted at; a helper.
  office('office', 'person', 'add', 'Hal Birch', '--role', 'helper');
  for (const [name, letter, many] of [['Wide yard', 'W', 12], ['Third yard', 'T', 2]]) {
    office('office', 'property', 'add', name);
    for (let n = 1; n <= many; n += 1) office('office', 'machine', 'add', `${letter}-${n}`, '--property', name, '--card', 'Invented twin');
    for (const who of ['Pia Larkin', 'Hal Birch']) office('office', 'assign', who, name);
  }
  office('exchange');
  const codeFor = (who) => office('office', 'device', 'code', who).code;
  const exchanged = (person) => { try { return person('exchange'); } catch (error) { if (error.stdout) return JSON.parse(error.stdout); throw error; } };

  if (browser === 'chromium') {
    await test('every name that the scripts use is there', () => { assert.deepEqual(namesThatAreNot(), []); });
  }

  let tab;
  let photo;
  await test('a phone enrols with the code in the address that the office shows', async () => {
    tab = await openTab(phone, url);
    await heading(tab, 'Enrol');
    await look(tab, 'enrol');
    await tab.getByLabel('One-time code').fill('00000-00000');
    await tap(tab, 'Enrol');
    await tab.locator('#trouble p').waitFor();
    await look(tab, 'enrol-refused');
    await tab.goto(`${url}#/enrol/${codeFor('Pia Larkin')}`);
    await tap(tab, 'Enrol');
    await heading(tab, 'round');
    await tab.getByText('Invented yard').waitFor();
    await barSays(tab, 'Only on this phone: 0');
    await look(tab, 'round');
  });

  await test('after the first load the page opens with no signal', async () => {
    await tab.waitForFunction(async () => !!(await navigator.serviceWorker.ready).active && !!navigator.serviceWorker.controller);
    await phone.setOffline(true);
    await tab.reload();
    await tab.waitForSelector('html[data-ready]');
    await tab.getByText('Invented yard').waitFor();
    await look(tab, 'round-no-signal');
  });

  await test('with no signal: a whole visit of a two-cylinder engine, one valve adjusted, a tab closed in the middle', async () => {
    await tab.locator('a.place-of').first().click();
    await heading(tab, 'Invented yard');
    await look(tab, 'property');
    await tab.locator('a.place').filter({ hasText: 'Q-101' }).click();
    await heading(tab, 'Q-101');
    await look(tab, 'machine-before');
    await begin(tab, '1523.4', 'visit');
    await heading(tab, '1I');
    assert.deepEqual([await tab.locator('.engine .head').count(), await tab.locator('.engine .this text').allTextContents()], [2, ['1I']]);
    await tab.getByText('The adjuster is the nut on the rocker\'s stud.').waitFor();
    await tap(tab, 'It is there');
    assert.equal(await answerLeaf(tab, 4.5), true);
    const before = await state(tab);
    assert.equal(before.tried, 1);
    await tab.close({ runBeforeUnload: false });

    // Opened again: the cautions, then the very same question, with the leaf that was tried.
    tab = await openTab(phone, url);
    await resume(tab);
    await tab.locator('main.leaf-step').waitFor();
    assert.deepEqual(await state(tab), before);
    await barSays(tab, 'no signal');
    await look(tab, 'reopened-in-the-middle');
    const title = await through(tab, { '1I': 4.5, '1E': 8.5, '2I': 5.5, '2E': 6.5 }, 6.5, 'check');
    assert.match(title, /Every valve has been through/);
    await look(tab, 'check-rest');

    await tap(tab, 'Photo');
    await heading(tab, 'Photo');
    photo = await takePhoto(tab);
    await tab.getByText('Something else').click();
    await look(tab, 'machine-else');
    await tab.getByRole('link', { name: 'Finding or hold' }).click();
    await tab.getByRole('button', { name: 'Oil leak' }).click();
    await look(tab, 'finding');
    await tap(tab, 'Keep an eye on it');
    await heading(tab, 'Q-101');
    await tab.getByText('Something else').click();
    await tab.getByRole('link', { name: 'Note', exact: true }).click();
    await tab.getByLabel('What should the next one know?').fill('Gate sticks');
    await look(tab, 'note');
    await tap(tab, 'Keep the note');
    await heading(tab, 'Q-101');
    await tab.getByText('Gate sticks').first().waitFor();
    await look(tab, 'machine-note-on-top');
    await tap(tab, 'Go on with the check');
    await heading(tab, 'been through');
    await tap(tab, 'Finish');
    await heading(tab, 'finished');
    await look(tab, 'finished');
    await barSays(tab, 'Only on this phone: 1');
  });

  await test('the status says what is on this phone alone, and saves it to a file that another device takes in', async () => {
    await tab.getByRole('link', { name: /Only on this phone/ }).click();
    await heading(tab, 'Status');
    await tab.locator('dd').filter({ hasText: 'Sealed: a copy' }).waitFor();
    await look(tab, 'status-unsent');
    const file = path.join(folder, 'unsent.bundle');
    await saved(tab, () => tap(tab, 'Save what is unsent to a file'), file);
    await tab.getByText('Saved,').first().waitFor();
    const taken = office('bundle', 'take', file);
    assert.ok(JSON.stringify(taken).includes('taken'), JSON.stringify(taken));
    await tap(tab, 'Leaves and unit');
    await heading(tab, 'Your leaves');
    await look(tab, 'leaves');
    await tab.getByRole('button', { name: 'Leaf 2', exact: true }).click();
    await tap(tab, 'Keep the set');
    await tab.getByText('These are the leaves').waitFor();
    assert.equal(await tab.getByRole('button', { name: 'Leaf 2', exact: true }).count(), 0);
  });

  await test('with a signal again: one exchange, and the office\'s day sheet has the visit', async () => {
    await phone.setOffline(false);
    await tap(tab, 'Exchange');
    await barSays(tab, 'Only on this phone: 0');
    exchanged(office);
    const sheet = JSON.stringify(office('office', 'day-sheet'));
    assert.ok(sheet.includes('Q-101') && sheet.includes('Pia Larkin'), sheet.slice(0, 2000));
    await pictureAtShop({ tab, shop, url, office, photo });
    const shown = office('show', 'Q-101');
    const of = (valve, stage) => shown.lash.find((one) => one.valve === valve && one.stage === stage);
    assert.deepEqual(['1I found', '1E found', '1E set', '1E left', '2I found', '2E found'].map((slot) => of(...slot.split(' '))?.judged?.verdict),
      ['in-spec', 'loose', 'in-spec', 'in-spec', 'in-spec', 'in-spec']);
    assert.equal(of('1E', 'set').adjusted, true);
    assert.ok(shown.visits.every((visit) => visit.finished_ms), JSON.stringify(shown.visits));
  });

  await test('two phones that disagree about a valve show both readings, and the standing that the server\'s API says', async () => {
    const other = await startPhone('lead');
    try {
      const lead = await openTab(other, `${url}#/enrol/${codeFor('Lida Quill')}`);
      await tap(lead, 'Enrol');
      await lead.getByText('Invented yard').waitFor();
      await barSays(lead, 'Exchanged just now');
      const id = office('show', 'Q-102').machine;
      for (const [person, gap, meter] of [[tab, 4.5, '300.1'], [lead, 9.5, '300.2']]) {
        await person.goto(`${url}#/machine/${id}`);
        await heading(person, 'Q-102');
        await begin(person, meter);
        await tap(person, 'It is there');
        await read(person, gap);
      }
      for (const person of [tab, lead, tab]) {
        await tap(person, 'Exchange');
        await person.waitForTimeout(1500);
        await barSays(person, 'Only on this phone: 0');
      }
      const told = await tab.evaluate(async (machine) => {
        const kit = await (await import('./kit/kit.js')).openKit();
        const token = await kit.token();
        const answer = await fetch(`/v1/machines/${machine}`, { headers: { authorization: `Bearer ${token}` } });
        return { there: (await answer.json()), here: await kit.machine(machine) };
      }, id);
      assert.equal(told.here.lash[0].state, 'contested');
      assert.deepEqual(told.here.lash, told.there.lash);
      assert.deepEqual(told.here.state.contested, told.there.state.contested);
      for (const [name, person] of [['tech', tab], ['lead', lead]]) {
        await person.goto(`${url}#/machine/${id}`);
        await heading(person, 'Q-102');
        await person.getByText('Contested: ').waitFor();
        await look(person, `contested-machine-${name}`);
        await person.locator('a.box.warn').click();
        await heading(person, 'Two people disagree');
        await look(person, `contested-slot-${name}`);
        const text = await person.locator('main').textContent();
        assert.ok(text.includes('Pia Larkin') && text.includes('Lida Quill'), text);
        // Lead over tech: design section 6, rule 4.
        assert.match(await person.locator('.box.good').textContent(), /Lida Quill/);
      }
      await tab.goto(`${url}#/status`);
      await heading(tab, 'Status');
      await look(tab, 'status');
      await tab.goto(`${url}#/round`);
      await heading(tab, 'round');
      await look(tab, 'round-after');
    } finally {
      await other.close();
    }
  });

  await test('the odd ways: a doubt, a hold, a leaf that contradicts, another unit, a warm engine, no card, a bundle, two tabs', async () => {
    await odd({ tab, phone, url, office, folder });
  });

  await test('a valve that is too close to call at a limit: set it to the aim comes first, in one tap', async () => {
    await atALimit({ tab, url, office });
  });

  await test('one back leaves a check; half-typed text and the place in a list are there again', async () => {
    await theWays({ url, codeFor });
  });

  await test('a kept reading is taken back; a machine that is not listed is entered, and found', async () => {
    await takenBack({ url, codeFor, office });
  });

  await test('a helper hands a visit over, a tech signs it off, and the office is told that it does not measure', async () => {
    await peopleMeet({ url, codeFor, office });
  });

  await test('a helper is taught each step, with a crank to turn; the office prints it on one sheet', async () => {
    await lessons({ url, codeFor, office });
    await workCard({ shop, office });
  });

  await test('symptoms first: from what somebody says to what is looked at, and to the check', async () => {
    await symptoms({ tab, url, office });
  });

  await test('a book that is damaged: what was not handed over is saved, and the office takes it in', async () => {
    await damagedBook({ url, codeFor, office });
  });

  await test('what is confirmed was in sight to its end', async () => {
    await readToTheEnd({ tab, url, office });
  });

  await test('how many taps a visit takes', async () => {
    await taps({ url, codeFor, figures });
  });

  await test('a browser that asks first, one that lends no files, a page that is loaded again in the middle', async () => {
    await neverAnswered({ url });
    await noFiles({ shop });
    await lockStillHeld({ url, code: codeFor('Pia Larkin') });
    figures['loaded again in the middle of an exchange'] = await loadedAgain({ url, code: codeFor('Pia Larkin'), times: 12 });
  });

  await test('the office\'s QR code is read by the camera', async () => {
    await scansCodes({ shop, url, codeFor });
    await detectorOfItsOwn({ shop, url });
  });

  await test('the office prints tags; a scanned one leads to its machine, with no signal; any other is said in a sentence', async () => {
    await scansTags({ shop, url, codeFor, office });
  });

  await test('a picture that is not that one, too large, no picture, of another shop, or of whoever has no right is refused', async () => {
    await refusals({ tab, shop, url, office, photo, codeFor });
  });

  await test('a newer page says that it is there, and takes over when it is told to', async () => {
    await newerPage({ shop, code: codeFor('Pia Larkin') });
  });

  if (browser === 'chromium') {
    if (!canWebKit()) console.log('out   WebKitGTK: it is not installed here (Debian: webkit2gtk-driver, xvfb)');
    else {
      await test('WebKitGTK: the page refuses to keep what it cannot, and its screens work', async () => {
        await refusesHonestly({ url });
        await walksInMemory({ shop, codeFor, office });
      });
    }
    await test('how large, how fast: the CPU four times slower', async () => {
      await measure(url, codeFor('Pia Larkin'), office('show', 'Q-102').machine, figures);
    });
  }
} finally {
  await phone.close();
  server.kill('SIGINT');
  clear();
}
for (const fault of faults) console.log(`FAULT ${fault}`);
for (const [what, figure] of Object.entries(figures)) console.log(`      ${what}: ${figure}`);
process.exitCode = failed + faults.length > 0 ? 1 : 0;
