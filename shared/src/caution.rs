//! The cautions that every surface shows before it guides a hand to an engine.
//!
//! Common practice of the trade, no source; that the ignition must not be able to start the engine is also the
//! sense of 29 CFR 1910.147(a)(1) and of the mower makers' own safety sheets.

/// The cautions, in the order in which they are acted upon.
pub const CAUTIONS: [&str; 7] = [
    "Engine cold. Not warm to the hand: cold.",
    "Key out, plug leads off, before a hand goes near the flywheel or the blades.",
    "Machine level and blocked; it must not roll or drop.",
    "Spark plugs out, so that the engine turns by hand and cannot kick.",
    "Piston at top dead center of the COMPRESSION stroke: both rockers of that cylinder loose.",
    "Set, lock, turn the engine over twice by hand, and check again: the lock nut moves the adjuster.",
    "In range means leave it alone.",
];

/// Whom the tool defers to.
pub const DEFERENCE: &str =
    "The engine maker's manual decides; this is a record and a calculator. Local rules and qualified people come first.";
