// What a QR code of a shop says: each is an address of the phone's page, so that any camera opens it. The office's one-time code is behind
// `#/enrol/`, the tag of a machine behind `#/machine/`.

import words from '../words/en.js';

const said = words.scan;

/** What this page's own words say, as an error that is shown. */
export const told = (sentence) => Object.assign(new Error(sentence), { code: 'scan' });

/** The screens that a code opens. */
const SCREENS = ['enrol', 'machine'];

/** Which shop's address a code is of, and what it names there: `{origin, screen, what}`. */
function read(text) {
  try {
    const { origin, hash } = new URL(text);
    const [screen, what] = hash.replace(/^#\/?/, '').split('/').map(decodeURIComponent);
    if (!SCREENS.includes(screen) || !what) throw told(said.notOurs);
    return { origin, screen, what };
  } catch {
    throw told(said.notOurs);
  }
}

/** The one-time code in a QR code of this very shop. */
export function oneTimeCode(text) {
  const { origin, screen, what } = read(text);
  if (screen !== 'enrol') throw told(said.isTag);
  if (origin !== location.origin) throw told(said.codeElsewhere(origin));
  return what;
}

/** The machine that a tag is on, where this phone has it. A tag outlives the address that it was printed with: what counts is the machine. */
export async function machineOfTag(kit, text) {
  const { origin, screen, what } = read(text);
  if (screen !== 'machine') throw told(said.isCode);
  try {
    return (await kit.machine(what)).machine;
  } catch (error) {
    if (!['not-found', 'given-unreadable'].includes(error.code)) throw error;
    throw told(origin === location.origin ? said.unknown : said.tagElsewhere(origin));
  }
}
