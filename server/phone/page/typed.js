// What is half typed: kept at every key, by the address of its screen and the name of its field, until the screen is done. It survives
// going back, a reload and a closed tab. It is never a record, and never sent.

const NAME = 'typed';
const LONGEST = 4000;

/** Where the browser keeps nothing, for as long as the page is open. */
let here = {};

function all() {
  try {
    here = JSON.parse(localStorage.getItem(NAME)) ?? {};
  } catch {
    // Damaged, or not to be had: what this page knows stays.
  }
  return here;
}

function keep(typed) {
  here = typed;
  try {
    localStorage.setItem(NAME, JSON.stringify(typed));
  } catch {
    // No room, or no leave: it is kept while the page is open.
  }
}

/** The address of the screen that is shown. */
const address = () => location.hash;

/** What was typed into a field of this screen. */
export const typed = (name) => all()[address()]?.[name] ?? null;

/** Keeps what was typed into a field of this screen; nothing typed is nothing kept. */
export function put(name, text) {
  const { [address()]: fields = {}, ...others } = all();
  const { [name]: _, ...rest } = fields;
  const more = text ? { ...rest, [name]: text.slice(0, LONGEST) } : rest;
  keep(Object.keys(more).length ? { ...others, [address()]: more } : others);
}

/** Forgets what was typed on a screen: it is done. */
export function forget(of = address()) {
  const { [of]: _, ...others } = all();
  keep(others);
}

/** Whether a field's text is kept: any with a name, but files. */
const isKept = (field) => field.name && !['file', 'checkbox', 'radio'].includes(field.type);

/** Puts back what was typed on this screen. */
export function restore(place) {
  for (const field of place.querySelectorAll('input, textarea, select')) {
    const text = isKept(field) ? typed(field.name) : null;
    if (text !== null) field.value = text;
  }
}

/** Keeps what is typed in a place from now on. */
export function keepTyped(place) {
  place.addEventListener('input', ({ target }) => {
    if (isKept(target)) put(target.name, target.value);
  });
}

/** Sets a field as if it had been typed. */
export function set(field, text) {
  field.value = text;
  field.dispatchEvent(new Event('input', { bubbles: true }));
}
