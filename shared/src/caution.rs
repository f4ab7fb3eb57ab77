//! What is said before a hand goes near an engine, and at each step of the work: cautions at their moment.
//!
//! Common practice of the trade, no source; that the ignition must not be able to start the engine is also the sense of
//! 29 CFR 1910.147(a)(1) and of the mower makers' own safety sheets. Not the whole of it: [`DEFERENCE`] says what comes first.

use serde::{Deserialize, Serialize};

use crate::engine_card::Ignition;

/// Something that is made safe, or looked out for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Caution {
    /// No heat where hands go.
    MufflerCool,
    /// The key.
    KeyOut,
    /// Spark ignition: the plug leads.
    PlugLeadsOff,
    /// Compression ignition: what stops the fuel.
    StopHeld,
    /// The battery.
    BatteryOff,
    /// The fuel.
    FuelShut,
    /// Power take-off and brake.
    BrakeSet,
    /// What carries the machine.
    OnStands,
    /// The blade.
    BladeBlocked,
    /// The eyes.
    EyeProtection,
    /// Spark ignition: dirt about the plugs.
    PlugWellsClean,
    /// Compression ignition: it turns against compression.
    Decompress,
    /// How the engine is turned.
    ByHand,
    /// While the lock nut is tightened.
    HoldAdjuster,
    /// While the engine is turned over.
    HandsClear,
    /// What counts in the end.
    CheckAgain,
}

/// Whom the tool defers to.
pub const DEFERENCE: &str = "Common practice, and not the whole of it: the engine maker's manual and local rules come first, and qualified \
    people decide. This is a record and a calculator.";

impl Caution {
    /// The caution, as a technician is told it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::MufflerCool => "Muffler and engine cool enough to touch.",
            Self::KeyOut => "Key out, and in your pocket.",
            Self::PlugLeadsOff => "Spark engine: every plug lead off and grounded.",
            Self::StopHeld => "Diesel: there are no plug leads. Tie the stop lever at stop, or unplug the fuel solenoid.",
            Self::BatteryOff => "Battery negative off.",
            Self::FuelShut => "Fuel shut.",
            Self::BrakeSet => "PTO off, parking brake set.",
            Self::OnStands => "On level ground or on stands, wheels chocked. Never on a jack alone.",
            Self::BladeBlocked => {
                "Blade blocked before a hand goes under the deck. On many walk-behinds it sits on the crank and turns with it: \
                 unblock it, hands out, before the engine is turned."
            }
            Self::EyeProtection => "Eye protection on.",
            Self::PlugWellsClean => {
                "Spark engine: plug wells blown clean first, then the plugs out. What lies in a well falls into the cylinder."
            }
            Self::Decompress => "Diesel: use the decompression lever where there is one. Against compression it can kick back.",
            Self::ByHand => "Turn the engine by hand alone, in its running direction. Never with the starter.",
            Self::HoldAdjuster => "Hold the adjuster still while you tighten the lock nut: the nut drags it along.",
            Self::HandsClear => "Two turns by hand in the running direction. Hands and tools clear of blade, fan and rockers.",
            Self::CheckAgain => "What is read now counts, not what was set.",
        }
    }
}

/// What comes before a hand goes near an engine, in the order in which it is done. Of an engine whose card does not say how it
/// fires, what is for either.
#[must_use]
pub fn before(ignition: Option<Ignition>) -> Vec<Caution> {
    use Caution::{
        BatteryOff, BladeBlocked, BrakeSet, ByHand, Decompress, EyeProtection, FuelShut, KeyOut, MufflerCool, OnStands, PlugLeadsOff,
        PlugWellsClean, StopHeld,
    };
    let all = [
        KeyOut,
        BrakeSet,
        MufflerCool,
        PlugLeadsOff,
        StopHeld,
        BatteryOff,
        FuelShut,
        OnStands,
        BladeBlocked,
        EyeProtection,
        PlugWellsClean,
        Decompress,
        ByHand,
    ];
    let not_for = |caution: &Caution| match ignition {
        Some(Ignition::Spark) => matches!(caution, StopHeld | Decompress),
        Some(Ignition::Compression) => matches!(caution, PlugLeadsOff | PlugWellsClean),
        None => false,
    };
    all.into_iter().filter(|caution| !not_for(caution)).collect()
}

/// While an adjuster is set and locked.
pub const LOCKING: [Caution; 1] = [Caution::HoldAdjuster];

/// While the engine is turned over, and read again.
pub const TURNING_OVER: [Caution; 2] = [Caution::HandsClear, Caution::CheckAgain];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_diesel_has_no_plug_leads() {
        let [spark, diesel, either] = [Some(Ignition::Spark), Some(Ignition::Compression), None].map(before);
        let of = |cautions: &[Caution], what: &str| cautions.iter().filter(|caution| caution.words().contains(what)).count();
        assert_eq!([of(&spark, "plug lead"), of(&diesel, "off and grounded"), of(&either, "plug lead")], [1, 0, 2]);
        assert_eq!([of(&spark, "Diesel"), of(&diesel, "Spark"), of(&either, "Diesel"), of(&either, "Spark")], [0, 0, 2, 2]);
    }

    #[test]
    fn what_is_a_step_of_the_work_is_not_confirmed_beforehand() {
        for ignition in [Some(Ignition::Spark), Some(Ignition::Compression), None] {
            let before = before(ignition);
            assert_eq!(before[0], Caution::KeyOut, "the key comes first");
            let place = |caution| before.iter().position(|one| *one == caution);
            assert!(place(Caution::OnStands) < place(Caution::BladeBlocked), "blocked before a hand goes under");
            assert!(before.iter().all(|caution| !LOCKING.contains(caution) && !TURNING_OVER.contains(caution)));
            assert!(before.iter().all(|caution| !caution.words().contains("dead center")));
        }
    }
}
