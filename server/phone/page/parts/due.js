// How a machine is due and what is the matter with it, as marks: each says it in words too, since colour alone does not.

import { mark } from '../ui.js';
import words from '../words/en.js';

/** The marks of a line of the due list. */
export function dueMarks(line) {
  return [
    line.hold ? mark(words.machine.hold, 'stop') : null,
    line.contested ? mark(words.machine.contested, 'warn') : null,
    line.recheck ? mark(words.machine.recheck, 'warn') : null,
    line.open_visit ? mark(words.machine.open, 'visited') : null,
  ];
}
