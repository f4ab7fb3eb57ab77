// The visit that this person has open at a machine, and whether it was handed over on this phone: what is handed over waits for another.

const handedAt = (machine) => `handed/${machine}`;

/** `{visit, handed}`: the person's own open visit, or none. */
export async function ownVisit(kit, machine) {
  const visit = await kit.openVisitOf(machine);
  return { visit, handed: !!visit && (await kit.remembered(handedAt(machine))) === visit };
}

/** It was handed over; with none, it was taken up again. */
export const handOver = (kit, machine, visit) => kit.remember(handedAt(machine), visit);

/** So many machines with an open visit are looked at for one to go on with. */
const MOST_LOOKED_AT = 20;

/** The first machine that this person goes on with: where an own visit is open that was not handed over. */
export async function goOnWith(kit) {
  const { lines } = await kit.duePage({ only: 'visited' });
  for (const line of lines.slice(0, MOST_LOOKED_AT)) {
    const { visit, handed } = await ownVisit(kit, line.machine);
    if (visit && !handed) return line;
  }
  return null;
}
