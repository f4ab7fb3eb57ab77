// The office's QR code in front of the camera: Chromium's fake one shows a film of it.

import assert from 'node:assert/strict';
import { writeFileSync } from 'node:fs';
import path from 'node:path';

import qrcode from 'qrcode-generator';

import { folder, heading, look, openTab, startPhone, tap } from './stage.mjs';

const [WIDE, HIGH] = [640, 480];
/** Pixels of one of the code's dots. */
const DOT = 8;

/** A film of one picture (YUV4MPEG2): a code in the middle of white paper. */
function film(text) {
  const code = qrcode(0, 'M');
  code.addData(text);
  code.make();
  const side = code.getModuleCount();
  const [left, top] = [Math.floor((WIDE - side * DOT) / 2), Math.floor((HIGH - side * DOT) / 2)];
  const light = Buffer.alloc(WIDE * HIGH, 235);
  for (let y = 0; y < side * DOT; y += 1) {
    for (let x = 0; x < side * DOT; x += 1) {
      if (code.isDark(Math.floor(y / DOT), Math.floor(x / DOT))) light[(top + y) * WIDE + left + x] = 16;
    }
  }
  const frame = Buffer.concat([Buffer.from('FRAME\n'), light, Buffer.alloc((WIDE * HIGH) / 2, 128)]);
  return Buffer.concat([Buffer.from(`YUV4MPEG2 W${WIDE} H${HIGH} F10:1 Ip A1:1 C420jpeg\n`), frame, frame]);
}

const camera = (file) => ['--use-fake-ui-for-media-stream', '--use-fake-device-for-media-stream', `--use-file-for-fake-video-capture=${file}`];

/** The code of this shop is read and enrols; that of another shop is named, and nothing is filled in. */
export async function scans({ shop, url, codeFor }) {
  const films = { own: `${shop}/phone/#/enrol/${codeFor('Pia Larkin')}`, other: 'https://other.example/phone/#/enrol/00000-00000' };
  for (const [whose, text] of Object.entries(films)) {
    const file = path.join(folder, `${whose}.y4m`);
    writeFileSync(file, film(text));
    const phone = await startPhone(`scans-${whose}`, camera(file));
    try {
      const tab = await openTab(phone, url);
      const typed = tab.getByLabel('One-time code');
      await tap(tab, 'Scan the code');
      if (whose === 'own') {
        await tab.waitForFunction(() => document.querySelector('input[name=code]').value.length > 8);
        assert.equal(await typed.inputValue(), text.split('/').pop());
        // Debian's Chromium has no detector of its own: it is the page's decoder that read it.
        const loaded = await tab.evaluate(() => performance.getEntriesByType('resource').some((one) => one.name.endsWith('decoder/jsqr.js')));
        assert.ok(loaded, 'the decoder was loaded');
        await tap(tab, 'Enrol');
        await heading(tab, 'round');
      } else {
        await tab.locator('#trouble p').filter({ hasText: 'That code is for the shop at https://other.example' }).waitFor();
        await look(tab, 'scan-of-another-shop');
        assert.equal(await typed.inputValue(), '');
      }
    } finally {
      await phone.close();
    }
  }
}
