// The bracket drawn against the range: it closes in as leaves are tried. The words below it say the same.

import { h, s } from '../ui.js';
import words from '../words/en.js';

const [WIDE, EDGE] = [340, 26];

/** A trial or a kept reading as a drawing. Lengths in tenths of a micrometre. */
export async function bracket(view, lengths) {
  const { range, go_tenth_um: go, no_go_tenth_um: noGo, bracket_words: soFar } = view;
  const edges = [range?.low_tenth_um, range?.high_tenth_um, go, noGo].filter((edge) => edge !== null && edge !== undefined);
  if (!edges.length) return h('p', { class: 'soft' }, words.check.nothingYet);
  const [least, most] = [Math.min(...edges), Math.max(...edges)];
  const room = Math.max((most - least) * 0.35, 254);
  const [from, to] = [Math.max(0, least - room), most + room];
  const x = (length) => EDGE + ((length - from) / (to - from)) * (WIDE - 2 * EDGE);
  const span = range ? words.machine.both(await lengths.full(range.low_tenth_um), await lengths.full(range.high_tenth_um)) : '';
  const told = range ? words.check.axis(span, soFar || words.check.nothingYet) : words.check.axisNone(soFar || words.check.nothingYet);
  const text = (length, y, name) => s('text', { x: x(length), y, 'text-anchor': 'middle' }, name);
  const drawn = s('svg', { class: 'bracket', viewBox: `0 0 ${WIDE} 104`, role: 'img', 'aria-label': told });
  if (range) {
    const [low, high] = [range.low_tenth_um, range.high_tenth_um];
    drawn.append(s('rect', { class: 'range', x: x(low), y: 24, width: Math.max(2, x(high) - x(low)), height: 44 }),
      text(low, 18, await lengths.bare(low)), text(high, 18, await lengths.bare(high)));
  }
  drawn.append(s('line', { class: 'axis', x1: 0, x2: WIDE, y1: 68, y2: 68 }));
  if (soFar) {
    const [left, right] = [go === null ? 0 : x(go), noGo === null ? WIDE : x(noGo)];
    drawn.append(s('rect', { class: 'gap', x: left, y: 38, width: Math.max(2, right - left), height: 16 }));
    if (go !== null) drawn.append(s('line', { class: 'edge', x1: left, x2: left, y1: 28, y2: 76 }), text(go, 96, await lengths.bare(go)));
    if (noGo !== null) drawn.append(s('line', { class: 'edge', x1: right, x2: right, y1: 28, y2: 76 }), text(noGo, 96, await lengths.bare(noGo)));
  }
  return h('figure', { class: 'drawn' }, drawn, h('figcaption', null, told));
}
