// The engine drawn from its card: the cylinder heads from above with one valve marked, its rocker from the side with the place of the leaf and
// of the adjuster, and where the piston is to be. Schemes: where a cylinder sits on the machine no card says.

import { h, s } from '../ui.js';
import words from '../words/en.js';

const said = words.engine;
/** A head from above, in the drawing's own units. */
const HEAD = { wide: 76, high: 84, apart: 10 };
/** The rocker from the side, and how far it is below the heads. */
const ROCKER = { wide: 250, high: 120, below: 14 };

/** `1I` as cylinder and kind. */
const partsOf = (valve) => ({ cylinder: Number.parseInt(valve, 10), kind: valve.endsWith('I') ? 'intake' : 'exhaust' });

function head(number, x, is) {
  const dot = (kind, cx) => {
    const mine = is.cylinder === number && is.kind === kind;
    return s('g', { class: mine ? 'valve-top this' : 'valve-top' }, s('circle', { cx, cy: 44, r: 15 }), s('text', { x: cx, y: 50, 'text-anchor': 'middle' }, `${number}${kind === 'intake' ? 'I' : 'E'}`));
  };
  return s('g', null, s('rect', { class: 'head', x, y: 2, width: HEAD.wide, height: HEAD.high, rx: 10 }), dot('intake', x + 20), dot('exhaust', x + HEAD.wide - 20),
    s('text', { class: 'pipe', x: x + 20, y: 78, 'text-anchor': 'middle' }, said.in), s('text', { class: 'pipe', x: x + HEAD.wide - 20, y: 78, 'text-anchor': 'middle' }, said.out));
}

/** The rocker from the side: push rod, stud, valve, the gap, and the adjuster where the card says. */
function rocker(x, y, adjuster) {
  const at = { 'push-rod-end-screw': 44, 'rocker-stud-nut': 120, 'valve-end-screw': 196 }[adjuster];
  return s('g', { transform: `translate(${x} ${y})` },
    s('line', { class: 'rod', x1: 44, y1: 40, x2: 44, y2: 112 }),
    s('line', { class: 'rod', x1: 120, y1: 14, x2: 120, y2: 112 }),
    s('line', { class: 'rod', x1: 196, y1: 56, x2: 196, y2: 112 }),
    s('line', { class: 'rod', x1: 184, y1: 56, x2: 208, y2: 56 }),
    s('path', { class: 'arm', d: 'M32 26Q120 0 208 26L208 40Q120 20 32 40Z' }),
    s('line', { class: 'gap', x1: 172, y1: 48, x2: 246, y2: 48 }),
    at ? s('rect', { class: 'adjuster', x: at - 12, y: 4, width: 24, height: 15, rx: 3 }) : null,
    s('text', { x: 50, y: 108 }, said.rod), s('text', { x: 202, y: 108 }, said.valve));
}

/** The drawing for a valve of this engine, and what it says in words. */
export function engine({ card, valves }, valve) {
  const is = partsOf(valve);
  const cylinders = Math.max(card?.cylinders ?? 0, ...valves.map((one) => partsOf(one.valve).cylinder));
  const heads = Array.from({ length: cylinders }, (_, n) => n + 1);
  const step = HEAD.wide + HEAD.apart;
  const wide = Math.max(heads.length * step, ROCKER.wide);
  const left = (wide - heads.length * step + HEAD.apart) / 2;
  const adjuster = card?.adjuster?.rocker ?? null;
  const told = [said.where(is.cylinder, is.kind), said.numbered, said.leaf, adjuster ? said.adjuster[adjuster] : null].filter(Boolean);
  return h('figure', { class: 'drawn' },
    s('svg', { class: 'engine', viewBox: `0 0 ${wide} ${HEAD.high + ROCKER.below + ROCKER.high}`, role: 'img', 'aria-label': said.alt(valve) },
      heads.map((number, n) => head(number, left + n * step, is)), rocker((wide - ROCKER.wide) / 2, HEAD.high + ROCKER.below, adjuster)),
    h('figcaption', null, told.join(' ')));
}

/** A crank that is past top dead center is drawn at least so far past it, in degrees, to be seen. */
const SEEN_DEGREES = 25;

/** Where the piston is brought before the leaves: at top dead center, or past it where the card says so, both valves shut. */
export function stroke(card) {
  const past = !!(card?.past_tdc_tenth_deg || card?.past_tdc_tenth_um);
  const turned = past ? (Math.max(SEEN_DEGREES, (card.past_tdc_tenth_deg ?? 0) / 10) * Math.PI) / 180 : 0;
  const crank = { x: 75, y: 118, far: 26 };
  const [pinX, pinY] = [crank.x + crank.far * Math.sin(turned), crank.y - crank.far * Math.cos(turned)].map((n) => Math.round(n * 10) / 10);
  const top = past ? 34 : 26;
  return h('figure', { class: 'drawn' },
    s('svg', { class: 'engine', viewBox: '0 0 280 150', role: 'img', 'aria-label': said.stroke(past) },
      s('path', { class: 'wall', d: 'M40 92V20H110V92' }),
      [58, 92].map((x) => s('path', { class: 'rod', d: `M${x} 4V16M${x - 10} 21H${x + 10}` })),
      s('rect', { class: 'arm', x: 44, y: top, width: 62, height: 26, rx: 4 }),
      s('line', { class: 'rod', x1: crank.x, y1: top + 16, x2: pinX, y2: pinY }),
      s('circle', { class: 'wheel', cx: crank.x, cy: crank.y, r: crank.far }), s('circle', { class: 'adjuster', cx: pinX, cy: pinY, r: 7 }),
      s('text', { x: 124, y: 26 }, said.shut), s('text', { x: 124, y: top + 22 }, said.piston), s('text', { x: 124, y: 122 }, said.crank)),
    h('figcaption', null, said.stroke(past)));
}
