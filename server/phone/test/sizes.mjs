// Every screen in every size: what is asked, and what is tapped to answer it, is in sight and covered by nothing; nothing is wider than the
// screen; and what is only looked at has room to be scrolled. Where the text is so large that the screen scrolls as a whole, what is asked is
// in sight first, and all that is tapped can be scrolled into it.

import path from 'node:path';

/** What the screens are walked at, as width and height in CSS pixels; a third figure is the size of text in per cent. */
const EVERY = [
  [320, 480], [320, 568], [360, 560], [360, 640], [390, 844], [844, 390], [390, 844, 200], [360, 740, 200], [320, 568, 200],
];
/** In Firefox a size takes some five times as long: the tightest, unless TAPPET_ALL_SIZES asks for every one. */
const TIGHTEST = [[320, 480], [360, 640], [844, 390], [320, 568, 200]];
const SIZES = process.env.TAPPET_BROWSER === 'firefox' && !process.env.TAPPET_ALL_SIZES ? TIGHTEST : EVERY;
const USUAL = { width: 390, height: 844 };
/** Twice the page's own size, which is 118.75 %. */
const LARGE = '237.5%';
/** What is looked at is at least so high, in pixels. */
const LEAST_BODY = 36;

/** In the page: what is wrong with the screen that is shown now. */
function ill(leastBody) {
  const wrong = [];
  const [wide, high] = [document.documentElement.clientWidth, window.innerHeight];
  if (document.documentElement.scrollWidth > wide) wrong.push(`${document.documentElement.scrollWidth} px wide`);
  const main = document.getElementById('screen');
  if (main.scrollWidth > main.clientWidth + 1) wrong.push(`the screen is ${main.scrollWidth} px wide`);
  const trouble = document.querySelector('#trouble button');
  const whole = getComputedStyle(main).overflowY === 'auto';
  const before = main.scrollTop;
  main.scrollTop = 0;
  const asked = main.querySelector('.ask') ?? main.querySelector('h1');
  const taps = [...main.querySelectorAll('.hand button, .hand a, .hand summary, .hand output')].filter((one) => !one.closest('.body'));
  // A row of leaves scrolls by itself: the one that is needed is in sight.
  const mustBe = [asked, ...taps].filter((one) => one && (!one.classList.contains('leaf') || one.hasAttribute('data-middle')));
  for (const one of trouble ? [trouble] : mustBe) {
    if (whole && one !== asked) one.scrollIntoView({ block: 'nearest' });
    const box = one.getBoundingClientRect();
    if (!box.width || !box.height || !one.checkVisibility()) continue;
    const name = `"${(one.getAttribute('aria-label') ?? one.textContent).trim().slice(0, 40)}"`;
    if (box.left < -1 || box.top < -1 || box.right > wide + 1 || box.bottom > high + 1) {
      wrong.push(`${name} is out of sight: ${[box.left, box.top, box.right, box.bottom].map(Math.round)}`);
      continue;
    }
    const points = [[0.5, 0.5], [0.04, 0.1], [0.96, 0.9]].map(([x, y]) => [box.left + box.width * x, box.top + box.height * y]);
    for (const [x, y] of points) {
      const there = document.elementFromPoint(x, y);
      if (!there || !(one.contains(there) || there.contains(one))) {
        wrong.push(`${name} is covered by ${there?.outerHTML.slice(0, 60)}`);
        break;
      }
    }
  }
  // A mark that has the look of something else besides: two things bear one name in the style sheet.
  for (const one of main.querySelectorAll('.mark')) if (getComputedStyle(one).borderLeftWidth !== '0px') wrong.push(`the mark "${one.textContent}" is drawn as a box`);
  main.scrollTop = before;
  const body = main.querySelector(':scope > .body, :scope > .form > .body');
  if (!whole && !trouble && body?.scrollHeight > body?.clientHeight && body.clientHeight < leastBody) wrong.push(`what is looked at is ${body.clientHeight} px high`);
  return wrong;
}

/** Holds the screen that is shown to each size; gives what is wrong, each as a sentence. With `pictures`, a picture of each that is. */
export async function sizes(tab, name, pictures, all = SIZES) {
  const wrong = [];
  for (const [width, height, text] of all) {
    await tab.setViewportSize({ width, height });
    await tab.evaluate((size) => {
      document.documentElement.style.fontSize = size;
      window.dispatchEvent(new Event('resize'));
      return new Promise((resolve) => { requestAnimationFrame(() => requestAnimationFrame(resolve)); });
    }, text ? LARGE : '');
    const said = await tab.evaluate(ill, LEAST_BODY);
    const at = `${width}x${height}${text ? ` at ${text} %` : ''}`;
    wrong.push(...said.map((one) => `${name}, ${at}: ${one}`));
    if (said.length || process.env.TAPPET_ALL_PICTURES) await tab.screenshot({ path: path.join(pictures, `${name}-${at.replaceAll(' ', '')}.png`) });
  }
  await tab.setViewportSize(all === SIZES ? USUAL : { width: all[1][0], height: all[1][1] });
  await tab.evaluate(() => { document.documentElement.style.fontSize = ''; });
  return wrong;
}
