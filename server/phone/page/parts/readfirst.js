// Cautions are confirmed once they were in sight: until the end of their list was, the one thing to tap shows more of it.

import { button, h, scroller } from '../ui.js';
import words from '../words/en.js';

/** The answers, once the end of what is to be read was in sight. `end` is the element with which it ends. */
export function readFirst(end, answers) {
  const place = h('div', { class: 'read-first' });
  const on = button(words.start.rest, () => {
    const body = scroller();
    body.scrollBy({ top: Math.max(48, body.clientHeight * 0.8) });
  }, 'main');
  place.append(on);
  const seen = new IntersectionObserver((all) => {
    if (!all.some((one) => one.isIntersecting)) return;
    seen.disconnect();
    place.replaceChildren(answers);
  });
  seen.observe(end);
  return place;
}
