// Reading the office's QR code with the phone's camera: with the browser's own detector where it knows such codes, else with the decoder
// that the page brings along, which is only loaded then.

import { button, h } from '../ui.js';

/** The decoder looks at a picture of at most so many pixels a side: more takes longer, and sees no more. */
const MOST_PIXELS = 640;

/** Whether there can be a camera: over TLS, or on loopback. */
export const canScan = () => !!navigator.mediaDevices?.getUserMedia;

/** What reads a code off the camera's picture: a function that gives its text, or nothing. */
async function reader() {
  const formats = await globalThis.BarcodeDetector?.getSupportedFormats().catch(() => []);
  if (formats?.includes('qr_code')) {
    const read = await reader();
    return async (video) => (await detector.detect(video))[0]?.rawValue;
  }
  const { default: decode } = await import('../decoder/jsqr.js');
  const canvas = document.createElement('canvas');
  const pen = canvas.getContext('2d', { willReadFrequently: true });
  return async (video) => {
    const part = Math.min(1, MOST_PIXELS / Math.max(video.videoWidth, video.videoHeight, 1));
    [canvas.width, canvas.height] = [Math.round(video.videoWidth * part), Math.round(video.videoHeight * part)];
    if (!canvas.width || !canvas.height) return null;
    pen.drawImage(video, 0, 0, canvas.width, canvas.height);
    const { data, width, height } = pen.getImageData(0, 0, canvas.width, canvas.height);
    return decode(data, width, height, { inversionAttempts: 'dontInvert' })?.data;
  };
}

/** What this page's own words say, as an error that is shown. */
const told = (sentence) => Object.assign(new Error(sentence), { code: 'scan' });

/** The code in what a QR code says: the part behind the `#` of an address of this very shop. */
function codeIn(text, words) {
  let url;
  try {
    url = new URL(text);
  } catch {
    throw told(words.notCode);
  }
  const code = url.hash.replace(/^#/, '').split('/').pop();
  if (!code) throw told(words.notCode);
  if (url.origin !== location.origin) throw told(words.elsewhere(url.origin));
  return decodeURIComponent(code);
}

/** Shows the camera in a place until a QR code is seen; gives its code, or nothing where the person stops. */
export async function scan(place, words) {
  const read = await reader();
  const stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: 'environment' } }).catch(() => { throw told(words.noCamera); });
  const video = h('video', { playsinline: true, 'aria-label': words.scanning });
  let stopped = false;
  place.replaceChildren(h('p', null, words.scanning), video, button(words.stop, () => { stopped = true; }));
  video.srcObject = stream;
  try {
    await video.play();
    while (!stopped && place.isConnected) {
      const text = await read(video);
      if (text) return codeIn(text, words);
      await new Promise((resolve) => { setTimeout(resolve, 200); });
    }
    return null;
  } finally {
    for (const track of stream.getTracks()) track.stop();
    place.replaceChildren();
  }
}
