// What is half done: which question a person is at, and the leaves tried so far. Remembered by the kit at every tap, so that a closed
// tab loses nothing. It is never a record, and never sent.

const name = (machine) => `check/${machine}`;
/** `said`: the valve whose reading has its own screen now. `kept`: the reading that was kept last, to be taken back in one tap. */
const EMPTY = { valve: null, trials: {}, piston: null, confirmed: null, said: null, kept: null, hoursLater: false };

/** The draft of the check of a visit; a new one where there is none, or it is of another visit. */
export async function load(kit, machine, visit) {
  const kept = await kit.remembered(name(machine));
  return kept?.visit === visit ? { ...EMPTY, ...kept } : { ...EMPTY, visit };
}

/** Remembers it. */
export const save = (kit, machine, draft) => kit.remember(name(machine), draft);

/** Forgets it. */
export const forget = (kit, machine) => kit.remember(name(machine), null);
