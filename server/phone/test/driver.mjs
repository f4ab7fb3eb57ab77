// WebKitGTK's own small browser over its W3C WebDriver: as much of a tab as this walk needs. Debian's webkit2gtk-driver and xvfb.

import { spawn } from 'node:child_process';
import { existsSync, mkdirSync, writeFileSync } from 'node:fs';
import path from 'node:path';

import { folder } from './stage.mjs';

const BROWSER = '/usr/lib/x86_64-linux-gnu/webkit2gtk-4.1/MiniBrowser';
const PATIENCE_MS = 20_000;

/** Whether it is installed here. */
export const canWebKit = () => existsSync(BROWSER) && existsSync('/usr/bin/WebKitWebDriver') && existsSync('/usr/bin/Xvfb');

const sleep = (ms) => new Promise((resolve) => { setTimeout(resolve, ms); });

/** Waits until something is given. */
export async function until(what, ask) {
  for (const end = Date.now() + PATIENCE_MS; Date.now() < end; await sleep(100)) {
    const given = await ask().catch(() => null);
    if (given) return given;
  }
  throw new Error(`it did not come: ${what}`);
}

class Tab {
  #at;

  constructor(at) { this.#at = at; }

  async call(method, what, body) {
    const answer = await fetch(`${this.#at}${what}`, { method, body: body ? JSON.stringify(body) : undefined });
    const { value } = await answer.json();
    if (!answer.ok) throw new Error(`${what}: ${value.error}: ${value.message}`);
    return value;
  }

  goto(url) { return this.call('POST', '/url', { url }); }

  /** Runs a function, or a script, in the page. */
  async evaluate(what, given) {
    if (typeof what === 'string') return this.call('POST', '/execute/sync', { script: what, args: [] });
    const script = `const done = arguments[1]; Promise.resolve().then(() => (${what})(arguments[0])).then((said) => done({ said }), (error) => done({ failed: String(error) }));`;
    const { said, failed } = await this.call('POST', '/execute/async', { script, args: [given ?? null] });
    if (failed) throw new Error(failed);
    return said;
  }

  async screenshot({ path: file }) { writeFileSync(file, Buffer.from(await this.call('GET', '/screenshot'), 'base64')); }

  /** The size of what is shown: the window is as much larger as its frame is. A window of this browser is at least 447 px wide. */
  async setViewportSize({ width, height }) {
    const rect = await this.call('GET', '/window/rect');
    const inner = await this.evaluate(() => [window.innerWidth, window.innerHeight]);
    await this.call('POST', '/window/rect', { width: rect.width + width - inner[0], height: rect.height + height - inner[1] });
    return until(`${width}x${height}`, () => this.evaluate(([wide, high]) => window.innerWidth === wide && window.innerHeight === high, [width, height]));
  }

  /** Waits for an element, by XPath. */
  element(xpath) {
    return until(xpath, async () => Object.values(await this.call('POST', '/element', { using: 'xpath', value: xpath }))[0]);
  }

  /** Taps a button or a link by its words. */
  async tap(words) {
    const is = `(normalize-space()="${words}" or @aria-label="${words}")`;
    await until(words, async () => { await this.call('POST', `/element/${await this.element(`//button[${is}] | //a[${is}]`)}/click`, {}); return true; });
  }

  /** Waits until the screen's heading says something. */
  heading(words) { return this.element(`//main//h1[contains(., "${words}")]`); }

  async text(xpath) { return this.call('GET', `/element/${await this.element(xpath)}/text`); }

  async type(xpath, text) { return this.call('POST', `/element/${await this.element(xpath)}/value`, { text }); }
}

/** A browser on a screen of its own. */
export async function startWebKit() {
  const home = path.join(folder, 'webkit');
  mkdirSync(home, { recursive: true });
  const screen = spawn('Xvfb', ['-displayfd', '1', '-screen', '0', '1400x1200x24', '-nolisten', 'tcp'], { stdio: ['ignore', 'pipe', 'ignore'] });
  const number = await new Promise((resolve, reject) => {
    screen.stdout.once('data', (said) => resolve(String(said).trim()));
    screen.once('exit', () => reject(new Error('Xvfb did not start')));
  });
  const port = 20_000 + (process.pid % 20_000);
  const env = { ...process.env, DISPLAY: `:${number}`, HOME: home };
  const driver = spawn('WebKitWebDriver', [`--port=${port}`, '--host=127.0.0.1'], { env, stdio: 'ignore' });
  const at = `http://127.0.0.1:${port}`;
  const end = () => { driver.kill(); screen.kill(); };
  try {
    await until('the driver', async () => (await fetch(`${at}/status`)).ok);
    const wanted = { browserName: 'MiniBrowser', 'webkitgtk:browserOptions': { binary: BROWSER, args: ['--automation'] } };
    const begun = await fetch(`${at}/session`, { method: 'POST', body: JSON.stringify({ capabilities: { alwaysMatch: wanted } }) });
    const { value } = await begun.json();
    if (!begun.ok) throw new Error(`${value.error}: ${value.message}`);
    const tab = new Tab(`${at}/session/${value.sessionId}`);
    return { tab, close: async () => { await tab.call('DELETE', '').catch(() => {}); end(); } };
  } catch (error) {
    end();
    throw error;
  }
}
