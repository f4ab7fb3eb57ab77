//! The engine card: what the maker asks of one engine type, with the manual and page it was read from.

pub mod file;
mod firing;
mod plain;
mod said;
pub mod table;

pub use firing::{Firing, FiringError};
pub(crate) use said::{EITHER_SIDE_MM, EITHER_SIDE_THOU};
pub use said::{LISTEN, Said, piston, tenth_words};

use serde::{Deserialize, Serialize};

use crate::ids::CardId;
use crate::length::{Length, LengthUnit};
use crate::sensible;
use crate::valve::{MOST_CYLINDERS, Side};

/// The clearance range of one side, both ends allowed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Range {
    /// The least clearance in range.
    #[serde(rename = "low_tenth_um")]
    pub low: Length,
    /// The greatest clearance in range.
    #[serde(rename = "high_tenth_um")]
    pub high: Length,
    /// The clearance to set, where the maker or the shop names one.
    #[serde(rename = "aim_tenth_um", default, skip_serializing_if = "Option::is_none")]
    pub aim: Option<Length>,
}

/// Where a card was read.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Source {
    /// The manual, as its title page says.
    pub manual: String,
    /// The page or clause.
    pub page: String,
}

/// How the thread of the adjuster is given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Thread {
    /// A metric thread's pitch, in whole micrometres.
    PitchUm(u32),
    /// An inch thread's count of threads in one inch; the pitch is 25.4 mm over it, exactly.
    PerInch(u32),
}

impl Thread {
    /// The thread in words: `pitch 1.000 mm`, `24 threads in an inch`.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::PitchUm(um) => format!("pitch {}.{:03} mm", um / 1000, um % 1000),
            Self::PerInch(n) => format!("{n} threads in an inch"),
        }
    }
}

/// Where the adjuster sits in the valve train.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Rocker {
    /// A nut on a stud sets the height of the rocker's pivot.
    RockerStudNut,
    /// A screw at the push-rod end of the rocker.
    PushRodEndScrew,
    /// A screw at the valve end of the rocker.
    ValveEndScrew,
}

impl Rocker {
    /// Every one.
    pub const ALL: [Self; 3] = [Self::RockerStudNut, Self::PushRodEndScrew, Self::ValveEndScrew];

    /// The name on the wire and in tables.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::RockerStudNut => "rocker-stud-nut",
            Self::PushRodEndScrew => "push-rod-end-screw",
            Self::ValveEndScrew => "valve-end-screw",
        }
    }
}

/// The adjuster of one engine type.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Adjuster {
    /// Its thread.
    pub thread: Thread,
    /// Where it sits.
    pub rocker: Rocker,
    /// Valve-side arm over push-rod-side arm, in thousandths (1300 = 1.3).
    pub ratio_milli: u32,
}

/// How an engine fires, and so how it is kept from firing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Ignition {
    /// By spark plugs.
    Spark,
    /// By compression: a diesel.
    Compression,
}

/// A text that names no ignition.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{given}\" is not an ignition: spark or compression (a diesel)")]
pub struct IgnitionError {
    /// What was given.
    pub given: String,
}

impl Ignition {
    /// Every one.
    pub const ALL: [Self; 2] = [Self::Spark, Self::Compression];

    /// The name on the wire and in tables.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Spark => "spark",
            Self::Compression => "compression",
        }
    }
}

impl std::str::FromStr for Ignition {
    type Err = IgnitionError;
    fn from_str(text: &str) -> Result<Self, IgnitionError> {
        let given = text.trim().to_lowercase();
        Self::ALL.into_iter().find(|one| one.name() == given).ok_or_else(|| IgnitionError { given: text.to_owned() })
    }
}

/// How often the valves want checking: whichever limit comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, Default)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Interval {
    /// Engine hours between checks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hours: Option<u32>,
    /// Calendar months between checks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub months: Option<u32>,
}

impl Interval {
    /// No limit at all.
    pub const NONE: Self = Self { hours: None, months: None };

    /// Both at once: of each kind of limit the shorter.
    #[must_use]
    pub fn with(self, other: Self) -> Self {
        let shorter = |a: Option<u32>, b: Option<u32>| a.into_iter().chain(b).min();
        Self { hours: shorter(self.hours, other.hours), months: shorter(self.months, other.months) }
    }

    /// Whether there is no limit.
    #[must_use]
    pub fn is_none(&self) -> bool {
        *self == Self::NONE
    }
}

/// Who runs the machine, and so how hard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, Default)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Duty {
    /// A crew's machine, run most working days.
    #[default]
    Commercial,
    /// A homeowner's machine.
    Homeowner,
}

/// What one engine type asks for.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct EngineCard {
    /// The card's id.
    pub card: CardId,
    /// What the shop calls this engine type.
    pub name: String,
    /// How many cylinders.
    pub cylinders: u8,
    /// Hydraulic lash: nothing is set, no leaf is tried and nothing is judged by a range, of which there is none.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub hydraulic: bool,
    /// Intake range, engine cold; none of hydraulic lash alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub intake: Option<Range>,
    /// Exhaust range, engine cold; none of hydraulic lash alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exhaust: Option<Range>,
    /// How the manual says the intake range, where it does not name both ends.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub intake_said: Option<Said>,
    /// How the manual says the exhaust range, where it does not name both ends.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exhaust_said: Option<Said>,
    /// Where it was read. A card without a source is kept and never judged against.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub source: Option<Source>,
    /// Interval under commercial duty.
    pub commercial: Interval,
    /// Interval under homeowner duty.
    pub homeowner: Interval,
    /// The adjuster, where known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub adjuster: Option<Adjuster>,
    /// For an engine with compression release: how far the piston is past top dead center when it is checked.
    #[serde(rename = "past_tdc_tenth_um", default, skip_serializing_if = "Option::is_none")]
    pub past_tdc: Option<Length>,
    /// The same in tenths of a degree of the crank, where the manual says degrees. Where it says both, the piston counts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub past_tdc_tenth_deg: Option<u32>,
    /// In which order the cylinders fire, and how far apart.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub firing: Option<Firing>,
    /// How it fires, where the card says: cautions follow from it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ignition: Option<Ignition>,
    /// How far beyond an end of a range a reading is asked about before anything is turned, in tenths of the range's width; as
    /// [`crate::verdict::FAR_TENTHS`] where the card does not say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub far_tenths: Option<u32>,
}

/// A card that cannot be.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CardError {
    /// A range whose low end is not below its high end, or whose aim lies outside.
    #[error("the {side} range is not a range: low must be above zero and below high, and the aim between them")]
    Range {
        /// Which side.
        side: &'static str,
    },
    /// Neither ranges nor hydraulic lash, or both.
    #[error(
        "a card has a range for intake and exhaust; or it says that its lash is hydraulic, and has neither range, adjuster nor place past top dead center"
    )]
    Lash,
    /// A figure of the manual that is not the middle of its range, or that is not set to.
    #[error(
        "the {side} figure of the manual is the middle of its range, a thou or 0.02 mm from its ends where the manual names no tolerance, and the card names a clearance to set"
    )]
    Said {
        /// Which side.
        side: &'static str,
    },
    /// A firing order that cannot be.
    #[error(transparent)]
    Firing(#[from] FiringError),
    /// No cylinders, or more than this trade's engines have.
    #[error("an engine card is for 1 to {MOST_CYLINDERS} cylinders, not {given}")]
    Cylinders {
        /// What was given.
        given: u8,
    },
    /// An interval without any limit, or with a limit of zero.
    #[error("an interval needs hours or months, each above zero")]
    Interval,
    /// A thread or ratio of zero.
    #[error("an adjuster has a thread pitch and a rocker ratio above zero")]
    Adjuster,
    /// A source with an empty manual or page.
    #[error("a source names the manual and the page")]
    Source,
    /// A figure outside what is sensible.
    #[error(transparent)]
    NotSensible(#[from] crate::sensible::NotSensible),
    /// A card without a name.
    #[error("an engine card has a name")]
    Name,
}

impl EngineCard {
    /// The range of one side; none of hydraulic lash.
    #[must_use]
    pub const fn range(&self, side: Side) -> Option<Range> {
        match side {
            Side::Intake => self.intake,
            Side::Exhaust => self.exhaust,
        }
    }

    /// The interval under a duty.
    #[must_use]
    pub const fn interval(&self, duty: Duty) -> Interval {
        match duty {
            Duty::Commercial => self.commercial,
            Duty::Homeowner => self.homeowner,
        }
    }

    /// Whether the card can be.
    ///
    /// # Errors
    /// [`CardError`], naming the first thing that cannot be.
    pub fn check(&self) -> Result<(), CardError> {
        if self.name.trim().is_empty() {
            return Err(CardError::Name);
        }
        if self.cylinders == 0 || self.cylinders > MOST_CYLINDERS {
            return Err(CardError::Cylinders { given: self.cylinders });
        }
        let set = self.adjuster.is_some() || self.past_tdc.is_some() || self.past_tdc_tenth_deg.is_some();
        let ranges = [self.intake, self.exhaust].iter().flatten().count();
        if ranges != if self.hydraulic { 0 } else { 2 } || (self.hydraulic && set) {
            return Err(CardError::Lash);
        }
        let sides = [("intake", self.intake, self.intake_said), ("exhaust", self.exhaust, self.exhaust_said)];
        for (side, range, said) in sides {
            let Some(range) = range else {
                if said.is_some() {
                    return Err(CardError::Said { side });
                }
                continue;
            };
            let middle = range.low.plus(range.high).tenth_um() % 2 == 0;
            let ours = [EITHER_SIDE_THOU, EITHER_SIDE_MM].contains(&range.either_side());
            let aim_inside = range.aim.is_none_or(|aim| range.low <= aim && aim <= range.high);
            if range.low <= Length::ZERO || range.low >= range.high || !aim_inside {
                return Err(CardError::Range { side });
            }
            if said.is_some_and(|said| !middle || range.aim.is_none() || (said == Said::Figure && !ours)) {
                return Err(CardError::Said { side });
            }
            for limit in [Some(range.low), Some(range.high), range.aim].into_iter().flatten() {
                sensible::RANGE_LIMIT.check_length(limit, LengthUnit::Mm)?;
            }
        }
        for interval in [self.commercial, self.homeowner] {
            let zero = interval.hours == Some(0) || interval.months == Some(0);
            if zero || (interval.hours.is_none() && interval.months.is_none()) {
                return Err(CardError::Interval);
            }
            interval.hours.map_or(Ok(()), |hours| sensible::INTERVAL_HOURS.check(hours))?;
            interval.months.map_or(Ok(()), |months| sensible::INTERVAL_MONTHS.check(months))?;
        }
        if let Some(adjuster) = self.adjuster {
            let (Thread::PitchUm(size) | Thread::PerInch(size)) = adjuster.thread;
            if size == 0 || adjuster.ratio_milli == 0 {
                return Err(CardError::Adjuster);
            }
            crate::entry::check_thread(adjuster.thread)?;
            sensible::RATIO_MILLI.check(adjuster.ratio_milli)?;
        }
        if let Some(past) = self.past_tdc {
            sensible::PAST_TDC.check_length(past, LengthUnit::Mm)?;
        }
        self.past_tdc_tenth_deg.map_or(Ok(()), |tenths| sensible::PAST_TDC_TENTH_DEG.check(tenths))?;
        if let Some(firing) = &self.firing {
            firing.check(self.cylinders)?;
        }
        self.far_tenths.map_or(Ok(()), |far| sensible::FAR_TENTHS.check(far))?;
        match &self.source {
            Some(source) if source.manual.trim().is_empty() || source.page.trim().is_empty() => Err(CardError::Source),
            _ => Ok(()),
        }
    }
}

impl Duty {
    /// The duty's name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Commercial => "commercial",
            Self::Homeowner => "homeowner",
        }
    }
}
