//! Symptoms first: what to look at, in which order and why, where somebody says that a machine clatters or has no power.
//!
//! Common practice of the trade, no source. Nothing here is a verdict: each look ends in a check of the clearances, in a measurement, in
//! something put right, or in a hold. The cautions come before a hand goes near the engine, and the engine maker's manual comes first.

use serde::Serialize;

/// What somebody says of a machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Symptom {
    /// It ticks, clatters or knocks.
    Clatters,
    /// It has less power than it had.
    DownOnPower,
    /// It is hard to turn over.
    HardToPull,
    /// It jerks the cord or the starter back.
    KicksBack,
    /// It pops or backfires.
    Pops,
}

/// A text that names no symptom.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{given}\" is no symptom of these: clatters, down-on-power, hard-to-pull, kicks-back or pops")]
pub struct SymptomError {
    /// What was given.
    pub given: String,
}

/// What is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Look {
    /// Oil, before the engine runs again.
    Oil,
    /// Clearances that are too wide.
    WideClearance,
    /// Clearances that are too narrow.
    NarrowClearance,
    /// Clearances of whichever kind.
    Clearance,
    /// Clearances that take the compression release its effect.
    ReleaseClearance,
    /// Push rods, studs, lock nuts.
    ValveTrain,
    /// Blade, spindles, belts, guards.
    BladeAndDeck,
    /// Filter, fins, fuel.
    AirAndFuel,
    /// Fuel alone: stale, or with water.
    Fuel,
    /// What the cylinder holds.
    Compression,
    /// Fuel or oil in the cylinder.
    LiquidInCylinder,
    /// The key that holds the flywheel in its place.
    FlywheelKey,
}

/// In what a look ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum End {
    /// A check of the clearances.
    Check,
    /// A measurement.
    Measure,
    /// Put right, and tried again.
    PutRight,
    /// A hold, where it is so.
    Hold,
}

/// What the book can say for a look.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Evidence {
    /// Valves that were last wider than their range.
    Wide,
    /// Valves that were last narrower than their range.
    Narrow,
    /// Valves that were last outside of their range.
    Outside,
}

impl Symptom {
    /// Every symptom.
    pub const ALL: [Self; 5] = [Self::Clatters, Self::DownOnPower, Self::HardToPull, Self::KicksBack, Self::Pops];

    /// Its name, as one asks for it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Clatters => "clatters",
            Self::DownOnPower => "down-on-power",
            Self::HardToPull => "hard-to-pull",
            Self::KicksBack => "kicks-back",
            Self::Pops => "pops",
        }
    }

    /// As people say it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Clatters => "It ticks, clatters or knocks",
            Self::DownOnPower => "It is down on power",
            Self::HardToPull => "It is hard to pull over",
            Self::KicksBack => "It kicks back",
            Self::Pops => "It pops or backfires",
        }
    }

    /// What is looked at, in the order of the trade: what costs an engine first, then what is likely and quick.
    #[must_use]
    pub const fn looks(self) -> &'static [Look] {
        match self {
            Self::Clatters => &[Look::Oil, Look::WideClearance, Look::ValveTrain, Look::BladeAndDeck],
            Self::DownOnPower => &[Look::AirAndFuel, Look::Clearance, Look::Compression],
            Self::HardToPull => &[Look::LiquidInCylinder, Look::BladeAndDeck, Look::ReleaseClearance],
            Self::KicksBack => &[Look::FlywheelKey, Look::ReleaseClearance],
            Self::Pops => &[Look::NarrowClearance, Look::Fuel, Look::FlywheelKey, Look::Compression],
        }
    }

    /// The looks with those first that can cost the engine or a hand, then those for which the book has something to say; else in the order of
    /// the trade.
    #[must_use]
    pub fn looks_by(self, known: impl Fn(Look) -> bool) -> Vec<Look> {
        let mut looks = self.looks().to_vec();
        looks.sort_by_key(|look| (!look.comes_first(), !known(*look)));
        looks
    }
}

impl std::str::FromStr for Symptom {
    type Err = SymptomError;

    fn from_str(text: &str) -> Result<Self, SymptomError> {
        let given = text.trim().to_ascii_lowercase().replace([' ', '_'], "-");
        Self::ALL.into_iter().find(|one| one.name() == given).ok_or_else(|| SymptomError { given: text.to_owned() })
    }
}

impl Look {
    /// Whether it comes before everything else: the engine is not turned by its starter until this is known.
    #[must_use]
    pub const fn comes_first(self) -> bool {
        matches!(self, Self::Oil | Self::LiquidInCylinder)
    }

    /// What the book can say for it.
    #[must_use]
    pub const fn evidence(self) -> Option<Evidence> {
        match self {
            Self::WideClearance | Self::ReleaseClearance => Some(Evidence::Wide),
            Self::NarrowClearance => Some(Evidence::Narrow),
            Self::Clearance => Some(Evidence::Outside),
            _ => None,
        }
    }

    /// In what it ends.
    #[must_use]
    pub const fn end(self) -> End {
        match self {
            Self::WideClearance | Self::NarrowClearance | Self::Clearance | Self::ReleaseClearance => End::Check,
            Self::Compression => End::Measure,
            Self::AirAndFuel | Self::Fuel | Self::BladeAndDeck => End::PutRight,
            Self::Oil | Self::ValveTrain | Self::LiquidInCylinder | Self::FlywheelKey => End::Hold,
        }
    }

    /// What is looked at.
    #[must_use]
    pub const fn what(self) -> &'static str {
        match self {
            Self::Oil => "Oil: its level on level ground, and whether it smells of fuel or shines of metal. Before the engine runs again.",
            Self::WideClearance => "The clearances, engine cold: is one wider than its range?",
            Self::NarrowClearance => "The clearances, engine cold: is one narrower than its range, or is there none?",
            Self::Clearance => "The clearances, engine cold.",
            Self::ReleaseClearance => "The clearances, engine cold: is a valve too wide for the compression release to open it?",
            Self::ValveTrain => "Rocker cover off: push rods straight and in their seats, studs in the head, lock nuts tight.",
            Self::BladeAndDeck => "Blade, spindles, belts and guards, plug leads off: loose, bent, or wound with grass or cord?",
            Self::AirAndFuel => "Air filter, cooling fins and fuel: clogged, or stale?",
            Self::Fuel => "Fuel: stale, or with water in it? Filter and tank vent?",
            Self::Compression => "What the cylinder holds: compression or, better, leak-down.",
            Self::LiquidInCylinder => {
                "Plugs out, turned slowly by hand: does fuel or oil come out of a cylinder? Never with the starter first."
            }
            Self::FlywheelKey => "The flywheel's key, above all after a blade struck something: sheared, or half sheared?",
        }
    }

    /// Why.
    #[must_use]
    pub const fn why(self) -> &'static str {
        match self {
            Self::Oil => "Too little oil, or oil thinned by fuel, is the quickest way to lose an engine, and noise is its first sign.",
            Self::WideClearance => "A loose valve ticks at half the crank's speed, and can throw its push rod.",
            Self::NarrowClearance => {
                "A valve that does not close lets the charge back: through the intake it pops, past the exhaust it burns its seat."
            }
            Self::Clearance => "Too narrow, a valve does not seal; too wide, it opens late and little. Either costs power.",
            Self::ReleaseClearance => {
                "The release lifts a valve by little: a wide clearance takes that up, and the hand turns against all of the compression."
            }
            Self::ValveTrain => "A bent push rod or a pulled stud sounds the same, and does more harm with each turn.",
            Self::BladeAndDeck => "What turns with the engine sounds and drags like the engine. It is quick to see.",
            Self::AirAndFuel => "The likeliest and the cheapest: nothing else can be told while it is so.",
            Self::Fuel => "Water or stale fuel misses and pops as a valve does.",
            Self::Compression => "Leak-down tells by where the air escapes whether it is intake, exhaust, rings or gasket.",
            Self::LiquidInCylinder => "Liquid does not give way: the starter bends the rod.",
            Self::FlywheelKey => "A flywheel that has slipped fires early: it kicks the hand, and pops.",
        }
    }

    /// What follows.
    #[must_use]
    pub const fn then(self) -> &'static str {
        match self.end() {
            End::Check => "Check the clearances.",
            End::Measure => "Measure, and write down what was found and by which method.",
            End::PutRight => "Put it right, and try again.",
            End::Hold => "If it is so: put the machine on hold, and note what was found.",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Whatever the book says: no look is lost or doubled, what can cost the engine stays first, and what is known comes before what is not.
        #[test]
        fn what_is_known_comes_forward_and_nothing_is_lost(of in 0_usize..5, known in proptest::collection::vec(any::<bool>(), 12)) {
            let symptom = Symptom::ALL[of];
            let is_known = |look: Look| known[symptom.looks().iter().position(|one| *one == look).unwrap_or(0)];
            let looks = symptom.looks_by(is_known);
            let sorted = |mut looks: Vec<Look>| { looks.sort_unstable(); looks };
            prop_assert_eq!(sorted(looks.clone()), sorted(symptom.looks().to_vec()));
            let ranks: Vec<_> = looks.iter().map(|look| (!look.comes_first(), !is_known(*look))).collect();
            prop_assert!(ranks.is_sorted());
        }
    }

    #[test]
    fn a_symptom_is_asked_for_as_one_types_it() {
        for symptom in Symptom::ALL {
            assert_eq!(symptom.name().parse(), Ok(symptom));
        }
        assert_eq!("Down on power".parse(), Ok(Symptom::DownOnPower));
        assert!("smokes".parse::<Symptom>().unwrap_err().to_string().contains("clatters"));
    }

    #[test]
    fn each_leads_to_the_clearances_and_names_no_figure() {
        for symptom in Symptom::ALL {
            assert!(symptom.looks().iter().any(|look| look.end() == End::Check), "{symptom:?}");
            for look in symptom.looks() {
                let all = format!("{} {} {}", look.what(), look.why(), look.then());
                assert!(!all.chars().any(|c| c.is_ascii_digit()), "{all}");
            }
        }
        assert_eq!(Symptom::Clatters.looks()[0], Look::Oil, "what costs the engine comes first");
    }
}
