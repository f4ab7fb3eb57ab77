// How far to turn the adjuster, drawn as an angle on its nut.

import { h, s } from '../ui.js';
import words from '../words/en.js';

const [MIDDLE, FAR, NUT] = [100, 78, 46];
const WHOLE = 360_000;

/** A point at an angle, 0 at the top, clockwise, in degrees. */
function point(degrees, far) {
  const turned = ((degrees - 90) * Math.PI) / 180;
  return [MIDDLE + far * Math.cos(turned), MIDDLE + far * Math.sin(turned)].map((n) => Math.round(n * 10) / 10);
}

/** A turn's size in words, as in "1 whole turn and 20°". */
function size(milli) {
  const wholes = Math.floor(milli / WHOLE);
  return [wholes ? words.check.whole(wholes) : '', words.degrees(milli % WHOLE)].filter(Boolean).join(' ');
}

/** The least and the most turn as the kit says them, drawn as they go on a right-hand thread, which is said. */
export function angle({ least, most }) {
  const milli = Math.abs(most.degrees_milli);
  const rest = (milli % WHOLE) / 1000;
  const sign = most.right_hand === 'clockwise' ? 1 : -1;
  const way = most.closes ? words.check.closes : words.check.opens;
  // Whole degrees, outward, as the sentence beside it has them.
  const whole = (round, turned) => round(turned / 1000) * 1000;
  const told = words.check.turn(size(whole(Math.floor, Math.abs(least.degrees_milli))), size(whole(Math.ceil, milli)), way, words.check.ways[most.right_hand]);
  const [fromX, fromY] = point(0, FAR);
  const [toX, toY] = point(sign * rest, FAR);
  const [leastX, leastY] = point((sign * Math.abs(least.degrees_milli)) / 1000, FAR);
  const arc = `M${fromX} ${fromY}A${FAR} ${FAR} 0 ${rest > 180 ? 1 : 0} ${sign > 0 ? 1 : 0} ${toX} ${toY}`;
  const nut = [0, 60, 120, 180, 240, 300].map((corner) => point(corner + 30, NUT).join(',')).join(' ');
  const tip = [point(sign * (rest + 11), FAR), point(sign * (rest - 3), FAR + 10), point(sign * (rest - 3), FAR - 10)].map((p) => p.join(',')).join(' ');
  const drawn = s('svg', { class: 'angle', viewBox: '0 8 200 150', role: 'img', 'aria-label': told },
    s('path', { class: 'wedge', d: `M${MIDDLE} ${MIDDLE}L${fromX} ${fromY}${arc.slice(arc.indexOf('A'))}Z` }),
    s('polygon', { class: 'nut', points: nut }),
    s('line', { class: 'from', x1: MIDDLE, y1: MIDDLE, x2: fromX, y2: fromY }),
    s('line', { class: 'from', x1: MIDDLE, y1: MIDDLE, x2: leastX, y2: leastY }),
    s('path', { class: 'arc', d: arc }), s('polygon', { class: 'tip', points: tip }),
    s('circle', { class: 'stud', cx: MIDDLE, cy: MIDDLE, r: 16 }));
  // The words first: on a low screen they are what must not be below the fold.
  return h('figure', { class: 'drawn turn' }, h('figcaption', null, told), drawn);
}
