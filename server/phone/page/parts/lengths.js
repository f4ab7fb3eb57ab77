// Lengths in the person's unit, as the kit says them. Asked for once, and kept until the unit is another.

let unit;
let known = new Map();

/** A function from a length in tenths of a micrometre to its words; and the person's leaves. */
export async function words(kit) {
  const leaves = await kit.leaves();
  if (leaves.unit !== unit) [unit, known] = [leaves.unit, new Map()];
  leaves.set.leaves_tenth_um.forEach((leaf, n) => { known.set(leaf, leaves.words[n]); });
  const bare = async (tenthUm) => {
    // A leaf is said without its unit; any other length comes with it.
    if (!known.has(tenthUm)) known.set(tenthUm, (await kit.showLength(tenthUm)).replace(new RegExp(` ${unit}$`), ''));
    return known.get(tenthUm);
  };
  return {
    leaves: leaves.set.leaves_tenth_um,
    unit: leaves.unit,
    bare,
    /** A feeler in words: one leaf, or the two of a stack. */
    feeler: async (feeler) => (await Promise.all(feeler.leaves_tenth_um.map(bare))).join(' + '),
    full: (tenthUm) => kit.showLength(tenthUm),
  };
}
