// Keys for a number with one digit after the point: no keyboard, no typing with gloves.

import { put as keep, typed } from '../typed.js';
import { h, say, visible } from '../ui.js';

const MOST = 7;
/** As what it is remembered while it is half entered. */
const NAME = 'hours';

/** What was entered, and the keys. `tenths()` gives it in tenths, and fails with a sentence where it is none. */
export function keypad(words) {
  let text = typed(NAME) ?? '';
  const shown = h('output', { class: 'meter', 'aria-label': words.shown }, text || '\u00a0');
  const put = (next) => {
    text = next;
    keep(NAME, text);
    shown.textContent = visible(text) || '\u00a0';
    say(text);
  };
  const press = (key) => {
    if (key === '.' && (text.includes('.') || !text)) return;
    if (/\.\d$/.test(text) || text.length >= MOST) return;
    put(text + key);
  };
  const key = (label, act, name) => h('button', { type: 'button', class: 'key', 'aria-label': name, onclick: act }, label);
  const digits = [...'123456789'].map((digit) => key(digit, () => press(digit)));
  const board = h('div', { class: 'keys' }, digits, key('.', () => press('.'), words.point), key('0', () => press('0')),
    key('⌫', () => put(text.slice(0, -1)), words.rub));
  const tenths = () => {
    if (!/^\d+(\.\d?)?$/.test(text)) throw Object.assign(new Error(words.bad), { code: 'entry' });
    const [whole, tenth] = text.split('.');
    return Number(whole) * 10 + Number(tenth || 0);
  };
  return { shown, board, tenths, forget: () => keep(NAME, '') };
}
