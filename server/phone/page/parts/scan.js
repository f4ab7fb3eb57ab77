// Reading the office's QR code with the phone's camera, where the browser has a detector of its own.

import { button, h } from '../ui.js';

/** Whether this browser can. */
export const canScan = () => 'BarcodeDetector' in globalThis && !!navigator.mediaDevices?.getUserMedia;

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
  const detector = new globalThis.BarcodeDetector({ formats: ['qr_code'] });
  const stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: 'environment' } }).catch(() => { throw told(words.noCamera); });
  const video = h('video', { playsinline: true, 'aria-label': words.scanning });
  let stopped = false;
  place.replaceChildren(h('p', null, words.scanning), video, button(words.stop, () => { stopped = true; }));
  video.srcObject = stream;
  try {
    await video.play();
    while (!stopped && place.isConnected) {
      const [found] = await detector.detect(video);
      if (found) return codeIn(found.rawValue, words);
      await new Promise((resolve) => { setTimeout(resolve, 200); });
    }
    return null;
  } finally {
    for (const track of stream.getTracks()) track.stop();
    place.replaceChildren();
  }
}
