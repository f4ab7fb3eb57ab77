// QR codes before a camera: a film that Chromium's made-up camera shows, or, where a browser shows no film and where codes are to change, a
// canvas that stands in for the camera.

import { writeFileSync } from 'node:fs';
import path from 'node:path';

import qrcode from 'qrcode-generator';

import { browser, folder, openTab, startPhone } from './stage.mjs';

const [WIDE, HIGH] = [640, 480];
/** Pixels of one of the code's dots, at most. */
const DOT = 8;

/** A text as rows of dots, dark or light. */
export function dots(text) {
  const code = qrcode(0, 'M');
  code.addData(text);
  code.make();
  const side = code.getModuleCount();
  return Array.from({ length: side }, (_, y) => Array.from({ length: side }, (__, x) => code.isDark(y, x)));
}

/** The dots of a code that one of the office's pages draws. */
export async function dotsOf(svg) {
  const [box, drawn] = [await svg.getAttribute('viewBox'), await svg.locator('path').getAttribute('d')];
  const side = Number(box.split(' ')[2]);
  const rows = Array.from({ length: side }, () => Array(side).fill(false));
  for (const [, x, y] of drawn.matchAll(/M(\d+) (\d+)h1v1h-1z/g)) rows[y][x] = true;
  return rows;
}

/** Light of one picture: a code in the middle of white paper. */
function picture(rows) {
  const dot = Math.min(DOT, Math.floor(HIGH / rows.length));
  const [left, top] = [WIDE, HIGH].map((pixels) => Math.floor((pixels - rows.length * dot) / 2));
  const light = Buffer.alloc(WIDE * HIGH, 235);
  for (let y = 0; y < rows.length * dot; y += 1) {
    for (let x = 0; x < rows.length * dot; x += 1) {
      if (rows[Math.floor(y / dot)][Math.floor(x / dot)]) light[(top + y) * WIDE + left + x] = 16;
    }
  }
  return light;
}

/** Flags for a camera that shows a film (YUV4MPEG2) of this code. */
function film(name, rows) {
  const file = path.join(folder, `${name}.y4m`);
  const frame = Buffer.concat([Buffer.from('FRAME\n'), picture(rows), Buffer.alloc((WIDE * HIGH) / 2, 128)]);
  writeFileSync(file, Buffer.concat([Buffer.from(`YUV4MPEG2 W${WIDE} H${HIGH} F10:1 Ip A1:1 C420jpeg\n`), frame, frame]));
  return ['--use-fake-ui-for-media-stream', '--use-fake-device-for-media-stream', `--use-file-for-fake-video-capture=${file}`];
}

/** In the page: a canvas that is what the camera sees. */
function canvasForCamera([wide, high]) {
  window.seen = [];
  // A blank page has none.
  if (!navigator.mediaDevices) return;
  navigator.mediaDevices.getUserMedia = async () => {
    const canvas = Object.assign(document.createElement('canvas'), { width: wide, height: high });
    const pen = canvas.getContext('2d');
    const stream = canvas.captureStream(10);
    const draw = () => {
      const dot = Math.min(8, Math.floor(high / Math.max(window.seen.length, 1)));
      pen.fillStyle = '#fff';
      pen.fillRect(0, 0, wide, high);
      pen.fillStyle = '#000';
      window.seen.forEach((row, y) => row.forEach((dark, x) => { if (dark) pen.fillRect(100 + x * dot, 20 + y * dot, dot, dot); }));
    };
    draw();
    const drawing = setInterval(draw, 80);
    stream.getTracks()[0].addEventListener('ended', () => clearInterval(drawing));
    return stream;
  };
}

/** A phone with a canvas for a camera; what it sees is said by `sees`. */
export async function phoneWithCanvas(name, address) {
  const phone = await startPhone(name);
  await phone.addInitScript(canvasForCamera, [WIDE, HIGH]);
  const tab = await openTab(phone, address);
  const sees = (rows) => tab.evaluate((shown) => { window.seen = shown; }, rows);
  return { phone, tab, sees };
}

/** A phone whose camera sees one code: on a film where the browser can show one. */
export async function phoneThatSees(name, rows, address) {
  if (browser === 'chromium') {
    const phone = await startPhone(name, film(name, rows));
    return { phone, tab: await openTab(phone, address) };
  }
  const { phone, tab, sees } = await phoneWithCanvas(name, address);
  await sees(rows);
  return { phone, tab };
}
