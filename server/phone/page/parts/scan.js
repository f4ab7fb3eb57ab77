// Reading a QR code with the phone's camera: with the browser's own detector where it knows such codes, else with the decoder that the page
// brings along, which is only loaded then. What a code means is for parts/codes.js.

import { button, h } from '../ui.js';
import words from '../words/en.js';
import { told } from './codes.js';

const said = words.scan;
/** The decoder looks at a picture of at most so many pixels a side: more takes longer, and sees no more. */
const MOST_PIXELS = 640;
/** A picture is looked at so often, in ms. */
const EACH_MS = 200;

/** Whether there can be a camera: over TLS, or on loopback. */
export const canScan = () => !!navigator.mediaDevices?.getUserMedia;

/** What reads a code off the camera's picture: a function that gives its text, or nothing. */
async function reader() {
  const formats = await globalThis.BarcodeDetector?.getSupportedFormats().catch(() => []);
  if (formats?.includes('qr_code')) {
    const detector = new globalThis.BarcodeDetector({ formats: ['qr_code'] });
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

/** Shows the camera in a place until a QR code is seen, with a sentence on what to hold before it; gives the code's text, or nothing where the
 * person stops or leaves. */
export async function scan(place, holding) {
  const read = await reader();
  const stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: 'environment' } }).catch(() => { throw told(said.noCamera); });
  const video = h('video', { playsinline: true, 'aria-label': holding });
  let stopped = false;
  place.replaceChildren(h('p', null, holding), video, button(said.stop, () => { stopped = true; }));
  video.srcObject = stream;
  try {
    await video.play();
    while (!stopped && place.isConnected) {
      const text = await read(video);
      if (text) return text;
      await new Promise((resolve) => { setTimeout(resolve, EACH_MS); });
    }
    return null;
  } finally {
    for (const track of stream.getTracks()) track.stop();
    place.replaceChildren();
  }
}
