// Making elements, and the few pieces that every screen is put together from.

import words from './words/en.js';

const SVG = 'http://www.w3.org/2000/svg';

// Controls, marks of direction and characters without width, which a record of another program may hold: spelled out, as the terminal and
// the office's pages do (shared/src/text.rs).
const MISLEADS = /[\u0000-\u0009\u000b-\u001f\u007f-\u009f\u00ad\u034f\u061c\u115f\u1160\u17b4\u17b5\u180e\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\u3164\ufeff\uffa0\ufff9-\ufffb]|\udb40[\udc00-\udc7f]/g;
export const visible = (text) => text.replace(MISLEADS, (c) => `<U+${c.codePointAt(0).toString(16).toUpperCase().padStart(4, '0')}>`);

function dressed(element, given, children) {
  for (const [name, value] of Object.entries(given ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith('on')) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? '' : name === 'value' ? String(value) : visible(String(value)));
  }
  const there = children.flat(3).filter((child) => child !== null && child !== undefined && child !== false && child !== '');
  element.append(...there.map((child) => (typeof child === 'string' ? visible(child) : child)));
  return element;
}

/** An element with attributes, listeners (`onclick`) and children. */
export const h = (tag, given, ...children) => dressed(document.createElement(tag), given, children);
/** The same for a drawing. */
export const s = (tag, given, ...children) => dressed(document.createElementNS(SVG, tag), given, children);

/** What is done where the book is found to be damaged. */
let mend = null;
export const whenDamaged = (act) => { mend = act; };

/** Whether the book was found to be damaged: nothing else is drawn then. */
export const isDamaged = () => !!document.documentElement.dataset.damaged;

/** A sentence on what went wrong, read aloud; nothing takes it away. A damaged book is a screen of its own. */
export function complain(error) {
  if (error?.kit && mend && !isDamaged()) {
    mend(error);
    return;
  }
  const known = typeof error?.code === 'string' && error.message;
  if (!known) console.error(error);
  const place = document.getElementById('trouble');
  const close = h('button', { class: 'plain', type: 'button', onclick: () => { place.replaceChildren(); } }, words.close);
  place.replaceChildren(h('p', null, known ? error.message : words.fault), close);
}

/** Takes an old complaint away. */
export function calm() {
  document.getElementById('trouble').replaceChildren();
}

/** Says something to whoever listens instead of looking. */
export function say(text) {
  document.getElementById('said').textContent = visible(text);
}

/** A button. While what it does is under way it takes no second tap; what goes wrong is said. */
export function button(label, act, kind = 'plain', more = {}) {
  const element = h('button', { class: kind, type: 'button', ...more }, [label].flat().filter(Boolean));
  element.addEventListener('click', async () => {
    if (element.getAttribute('aria-disabled') === 'true') return;
    element.setAttribute('aria-disabled', 'true');
    calm();
    try {
      await act(element);
    } catch (error) {
      complain(error);
    } finally {
      element.removeAttribute('aria-disabled');
    }
  });
  return element;
}

/** A way to another screen. */
export const link = (label, to, kind = 'way') => h('a', { class: kind, href: `#${to}` }, label);

/** A field with its label above it. */
export function field(label, input, hint) {
  const id = `f${Math.random().toString(36).slice(2)}`;
  input.id = id;
  if (hint) input.setAttribute('aria-describedby', `${id}h`);
  return h('div', { class: 'field' }, h('label', { for: id }, label), hint ? h('p', { class: 'soft', id: `${id}h` }, hint) : null, input);
}

/** A form whose one button is under the thumb. */
export function form(fields, label, act, others = []) {
  const go = h('button', { class: 'main', type: 'submit' }, label);
  const element = h('form', { class: 'form' }, h('div', { class: 'body', tabindex: '0' }, fields), h('div', { class: 'hand' }, others, go));
  element.addEventListener('submit', async (event) => {
    event.preventDefault();
    if (go.getAttribute('aria-disabled') === 'true') return;
    go.setAttribute('aria-disabled', 'true');
    calm();
    try {
      await act();
    } catch (error) {
      complain(error);
    } finally {
      go.removeAttribute('aria-disabled');
    }
  });
  return element;
}

/** A list of lines that lead somewhere; nothing where it is empty. */
export const list = (lines, kind = 'lines') => (lines.length ? h('ul', { class: kind }, lines.map((line) => h('li', null, line))) : null);

/** What scrolls on the screen: what is to be looked at; all of it, where the text is too large for that (phone.css). */
export function scroller() {
  const main = document.getElementById('screen');
  return getComputedStyle(main).overflowY === 'auto' ? main : main.querySelector('.body');
}

/** A word in a box: a state. */
export const mark = (text, kind) => h('span', { class: `mark ${kind}` }, text);
