// A lesson on a step of the check, folded away until it is wanted; for a helper it is open. The kit says it and draws it; here is how it looks,
// and the slider that turns the crank.

import { complain, h, s, visible } from '../ui.js';
import words from '../words/en.js';

const said = words.lesson;
/** The slider's ends, in degrees of the crank from top dead center of compression: from the exhaust stroke on, as one looks for it. */
const FROM = -540;
const TO = 90;
const STEP = 5;

const pointsOf = (points) => points.map(([x, y]) => `${x} ${y}`).join(' ');
const SHAPES = {
  path: ({ part, points, closed }) => s(closed ? 'polygon' : 'polyline', { class: part, points: pointsOf(points) }),
  circle: ({ part, center: [cx, cy], radius }) => s('circle', { class: part, cx, cy, r: radius }),
  text: ({ at: [x, y], anchor, text }) => s('text', { x, y, 'text-anchor': anchor }, text),
};

/** A drawing of the kit's. */
const drawn = (figure) => s('svg', { class: 'taught', viewBox: `0 0 ${figure.wide} ${figure.high}`, role: 'img', 'aria-label': figure.words },
  figure.shapes.map((shape) => SHAPES[shape.shape](shape)));

/** How far the crank is from the place, in words. */
const place = (degrees) => (degrees < 0 ? said.before(-degrees) : degrees > 0 ? said.after(degrees) : said.top);

/** The lesson, for a machine's engine. */
export async function lesson({ kit, machine, status }, name) {
  const view = await kit.lesson(name, machine);
  const caption = h('figcaption', { 'aria-live': 'polite' });
  const figure = h('figure', { class: 'drawn' });
  let newest = 0;
  const show = async (degrees) => {
    const mine = ++newest;
    const one = await kit.lessonFigure(name, machine, degrees);
    // A later angle was asked for meanwhile.
    if (mine !== newest) return;
    caption.textContent = visible(one.words);
    figure.replaceChildren(drawn(one), caption);
  };
  await show(0);
  const slider = view.moves ? h('input', { type: 'range', class: 'crank', min: FROM, max: TO, step: STEP, value: 0, 'aria-label': said.turn, 'aria-valuetext': place(0) }) : null;
  slider?.addEventListener('input', () => {
    const degrees = Number(slider.value);
    slider.setAttribute('aria-valuetext', place(degrees));
    show(degrees).catch(complain);
  });
  return h('details', { class: 'lesson', open: status.role === 'helper' }, h('summary', null, said.open),
    h('h2', null, view.title), figure, slider ? h('label', { class: 'turn-crank' }, said.turn, slider) : null,
    h('ol', null, view.points.map((point) => h('li', null, h('p', null, point.what), h('p', { class: 'soft' }, h('b', null, said.why), ' ', point.why), h('p', { class: 'soft' }, h('b', null, said.otherwise), ' ', point.otherwise)))),
    h('p', { class: 'soft' }, view.deference));
}
