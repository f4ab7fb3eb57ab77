// What the check plays on: the real server with an invented shop, people's terminals, phones that are browsers, axe-core, pictures.

import { execFileSync, spawn } from 'node:child_process';
import { mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { tmpdir } from 'node:os';
import path from 'node:path';
import { fileURLToPath } from 'node:url';

import { chromium, firefox } from 'playwright-core';

import { sizes } from './sizes.mjs';

const here = path.dirname(fileURLToPath(import.meta.url));
const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');

/** A temporary folder. */
export const folder = mkdtempSync(path.join(tmpdir(), 'tappet-phone-'));

/** The browsers of Debian that are walked in, each as it is known to work here. Firefox is driven over WebDriver BiDi, which every Firefox
 * has; it has no touch that is made up, and wants a home that is the person's own. */
const BROWSERS = {
  chromium: {
    type: chromium,
    with: {
      executablePath: '/usr/bin/chromium', hasTouch: true,
      args: [
        '--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update',
        '--disable-sync',
      ],
    },
  },
  firefox: {
    type: firefox,
    with: { executablePath: '/usr/bin/firefox-esr', channel: 'moz-firefox', args: [], env: { ...process.env, HOME: folder } },
  },
};
/** The one that this walk is in. */
export const browser = process.env.TAPPET_BROWSER ?? 'chromium';

/** Where pictures of the screens go. */
export const pictures = path.join(here, 'pictures', browser);
mkdirSync(pictures, { recursive: true });
/** Takes those of the last time away. */
export const clearPictures = () => { for (const old of readdirSync(pictures)) rmSync(path.join(pictures, old)); };

/** The shop's server on a free port; gives its address and the office's first code. */
export async function startServer(name = 'shop') {
  const data = path.join(folder, name);
  const named = ['--shop-name', 'Invented shop', '--time-zone', 'America/Chicago', '--office-name', 'Odile Marsh'];
  const server = spawn(path.join(process.env.TAPPET_BIN, 'tappetbook-server'), ['--data', data, '--listen', '127.0.0.1:0', ...named]);
  let said = '';
  const heard = (chunk) => { said += chunk; };
  server.stdout.on('data', heard);
  server.stderr.on('data', heard);
  for (let tries = 0; tries < 300; tries += 1) {
    const url = /http:\/\/127\.0\.0\.1:[1-9]\d*/.exec(said)?.[0];
    const code = /[0-9A-HJKMNP-TV-Z]{5}-[0-9A-HJKMNP-TV-Z]{5}/.exec(said)?.[0];
    if (url && code) return { server, url, code };
    await new Promise((resolve) => { setTimeout(resolve, 100); });
  }
  server.kill();
  throw new Error(`the server did not come up: ${said}`);
}

/** The terminal, as a person's native device. */
export function terminal(name) {
  const book = path.join(folder, `${name}.db`);
  return (...given) => {
    const tappet = path.join(process.env.TAPPET_BIN, 'tappet');
    const out = execFileSync(tappet, ['--book', book, '--json', ...given], { encoding: 'utf8', stdio: ['ignore', 'pipe', 'pipe'] });
    return JSON.parse(out);
  };
}

/** A phone: a browser with a profile of its own, which outlives its tabs. */
export async function startPhone(name, flags = []) {
  const { type, with: own } = BROWSERS[browser];
  const options = { ...own, args: [...own.args, ...flags], headless: true, viewport: { width: 390, height: 844 }, deviceScaleFactor: 1 };
  const phone = await type.launchPersistentContext(path.join(folder, `profile-${name}`), options);
  // A screen that has not come by then does not come.
  phone.setDefaultTimeout(12_000);
  const close = phone.close.bind(phone);
  phone.close = async () => {
    for (const page of phone.pages()) lastSeen.push(await screenOf(name, page));
    await close();
  };
  return phone;
}

/** What the tabs of phones showed when they were closed, since this was last emptied: for a test that failed. */
export const lastSeen = [];

/** What a tab shows, in words. */
export const screenOf = (name, page) => page.evaluate(() => `${location.hash} ${document.body?.innerText.slice(0, 1500)}`)
  .catch((error) => `could not be read: ${error.message}`).then((text) => `--- ${name}: ${text}`);

/** What a page said that it should not have: looked at when all is done. */
export const faults = [];

/** What the browser itself says: Chromium of every request without a signal; Firefox of the style that Playwright may not put in for a picture. */
const NOT_OURS = /ERR_INTERNET_DISCONNECTED|409|401|blocked an inline style \(style-src-elem\)/;

/** A tab of the phone's page. */
export async function openTab(phone, url) {
  const tab = await phone.newPage();
  const said = (text) => { if (!NOT_OURS.test(text)) faults.push(`in the page: ${text}`); };
  tab.on('pageerror', (error) => { said(String(error)); });
  tab.on('console', (message) => { if (message.type() === 'error') said(message.text()); });
  await tab.goto(url);
  await tab.waitForSelector('html[data-ready]', { timeout: 60_000 });
  return tab;
}

let count = 0;

/** Puts axe-core into what is shown, and gives what it finds. */
export async function axeOn(tab, name) {
  await tab.evaluate(axe);
  return (await axeSays(tab)).map((one) => `axe-core, ${name}: ${one}`);
}

/** What axe-core finds on what is shown now. */
const axeSays = (tab) => tab.evaluate(async () => (await window.axe.run(document)).violations.map((one) => `${one.id}: ${one.nodes.map((node) => node.html).join(' | ')}`));

/** Every rule of axe-core on what is shown now, and a picture of it, named; on the phone also in the look for dusk, the size of what is tapped, and
 * the screen in every size. */
export async function look(tab, name, { office = false } = {}) {
  count += 1;
  const called = `${String(count).padStart(2, '0')}-${name}`;
  await tab.screenshot({ path: path.join(pictures, `${called}.png`) });
  faults.push(...await axeOn(tab, name));
  if (office) return;
  const theme = await tab.evaluate(() => document.documentElement.dataset.theme);
  await tab.evaluate(() => { document.documentElement.dataset.theme = 'dusk'; });
  for (const one of await axeSays(tab)) faults.push(`axe-core, ${name} at dusk: ${one}`);
  if (process.env.TAPPET_ALL_PICTURES) await sizes(tab, `${called}-dusk`, pictures);
  await tab.evaluate((one) => { document.documentElement.dataset.theme = one; }, theme);
  const small = await tab.evaluate(() => [...document.querySelectorAll('button, a, input:not(.hidden), select, summary')]
    .map((one) => [one.outerHTML.slice(0, 90), one.getBoundingClientRect()])
    .filter(([, box]) => box.width > 0 && (box.height < 48 || box.width < 48)).map(([html, box]) => `${Math.round(box.width)}x${Math.round(box.height)} ${html}`));
  for (const one of small) faults.push(`under 48 px, ${name}: ${one}`);
  faults.push(...await sizes(tab, called, pictures));
}

/** Taps a button or a link by its words. */
export const tap = async (tab, words) => {
  await tab.locator('main, header').getByRole('button', { name: words === 'Exchange' ? /^Exchange/ : words, exact: true }).or(tab.getByRole('link', { name: words, exact: true })).first().click();
};

/** Does what saves a file, and keeps it. Firefox without a screen ends a page's own download before it is one: there it is what the page hands to
 * the browser that is kept. */
export async function saved(tab, act, file) {
  if (browser === 'chromium') {
    const download = tab.waitForEvent('download');
    await act();
    await (await download).saveAs(file);
    return;
  }
  await tab.evaluate(() => {
    const make = URL.createObjectURL;
    URL.createObjectURL = (blob) => {
      URL.createObjectURL = make;
      window.saved = blob.arrayBuffer();
      return make.call(URL, blob);
    };
  });
  await act();
  await tab.waitForFunction(() => window.saved);
  writeFileSync(file, Buffer.from(await tab.evaluate(async () => [...new Uint8Array(await window.saved)])));
}

/** Scrolls the last such element into sight, whether or not the screen is being drawn anew. */
export const intoSight = (tab, selector) => tab.evaluate((which) => [...document.querySelectorAll(which)].at(-1)?.scrollIntoView({ block: 'nearest' }), selector);

/** Waits until the screen's heading says something. */
export const heading = (tab, words) => tab.locator('main h1').filter({ hasText: words }).waitFor();

/** Takes everything away. */
export function clear() {
  rmSync(folder, { recursive: true, force: true });
}
