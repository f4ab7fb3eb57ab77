// What the tests play on: the real server with an invented shop, a page of its origin with the kit, and a browser.

import { execFileSync, spawn } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync } from 'node:fs';
import http from 'node:http';
import { tmpdir } from 'node:os';
import path from 'node:path';
import { fileURLToPath } from 'node:url';

import { chromium } from 'playwright-core';

const here = path.dirname(fileURLToPath(import.meta.url));
const wasm = path.dirname(here);
const TYPES = { '.js': 'text/javascript', '.wasm': 'application/wasm', '.html': 'text/html; charset=utf-8', '.json': 'application/json' };
const VECTORS = path.resolve(wasm, '../../../fixtures/vectors');

/** Debian's Chromium; the flags are those it is known to work with here. */
export const FLAGS = [
  '--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update',
  '--disable-sync',
];

/** A temporary folder. */
export const folder = mkdtempSync(path.join(tmpdir(), 'tappet-kit-'));

/** The shop's server on a free port; gives its address and the office's first code. */
export async function startServer() {
  const data = path.join(folder, 'shop');
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
    const out = execFileSync(path.join(process.env.TAPPET_BIN, 'tappet'), ['--book', book, '--json', ...given], { encoding: 'utf8', stdio: ['ignore', 'pipe', 'pipe'] });
    return JSON.parse(out);
  };
}

/** The same origin for page and shop: files of the kit from here, everything else from the server. */
export function startOrigin(shop) {
  const at = new URL(shop);
  const counts = { bytes: 0, exchanges: 0, encodings: new Set(), enrolments: [], noEnrolments: false };
  const origin = http.createServer((request, response) => {
    const url = new URL(request.url, 'http://127.0.0.1');
    if (url.pathname === '/v1/enrol') {
      const chunks = [];
      request.on('data', (chunk) => { chunks.push(chunk); });
      request.on('end', () => { counts.enrolments.push(JSON.parse(Buffer.concat(chunks))); });
      if (counts.noEnrolments) {
        request.on('end', () => { response.destroy(); });
        return;
      }
    }
    if (url.pathname.startsWith('/v1/')) {
      const passed = http.request({ host: at.hostname, port: at.port, path: request.url, method: request.method, headers: request.headers }, (answer) => {
        if (url.pathname === '/v1/exchange') {
          counts.exchanges += 1;
          counts.encodings.add(answer.headers['content-encoding'] ?? 'plain');
        }
        response.writeHead(answer.statusCode, answer.headers);
        answer.pipe(response);
      });
      passed.on('error', () => { response.destroy(); });
      request.pipe(passed);
      return;
    }
    // The kit in another form: `/kit/vectors/` has the vectors in it, `/kit/…bare/` a worker in which there is no IndexedDB.
    const [, form, asked] = /^\/kit\/([a-z-]+)\/(.*)$/.exec(url.pathname) ?? [null, '', url.pathname];
    const name = form.includes('vectors') ? asked.replace(/^pkg\//, 'pkg-vectors/') : asked;
    const root = name.startsWith('/vectors/') ? path.dirname(VECTORS) : wasm;
    const file = path.normalize(path.join(root, name === '/' ? 'test/page.html' : name));
    try {
      let bytes = readFileSync(file);
      if (form.includes('bare') && name === 'worker.js') bytes = `Object.defineProperty(self, 'indexedDB', { value: undefined });\n${bytes}`;
      response.writeHead(200, { 'content-type': TYPES[path.extname(file)] ?? 'application/octet-stream' });
      response.end(bytes);
    } catch {
      response.writeHead(404).end();
    }
  });
  return new Promise((resolve) => {
    origin.listen(0, '127.0.0.1', () => { resolve({ origin, url: `http://127.0.0.1:${origin.address().port}`, counts }); });
  });
}

/** A phone: a browser with a profile of its own, which outlives its tabs. */
export async function startPhone(name) {
  const profile = path.join(folder, `profile-${name}`);
  const options = { executablePath: '/usr/bin/chromium', headless: true, args: FLAGS, viewport: { width: 390, height: 844 } };
  return chromium.launchPersistentContext(profile, options);
}

/** A tab with the kit's module loaded. */
export async function openTab(phone, url) {
  const tab = await phone.newPage();
  tab.on('pageerror', (error) => { console.error(`in the page: ${error}`); });
  tab.on('console', (message) => { if (message.type() === 'error') console.error(`in the page: ${message.text()}`); });
  await tab.goto(url);
  await tab.waitForFunction(() => window.ready);
  return tab;
}

/** Takes everything away. */
export function clear() {
  rmSync(folder, { recursive: true, force: true });
}
