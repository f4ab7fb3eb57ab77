//! The least and the greatest sensible value of everything that people enter, each with its reason.
//!
//! What lies outside is refused with the reason: it is a slip of the unit or of the decimal point. All are common practice, no
//! source, unless the reason names one; where a maker's figure lies outside, the range here is wrong and is to be widened.

use std::fmt::Display;

use crate::hours::Hours;
use crate::length::{Length, LengthUnit};

/// The sensible values of one quantity, both ends included.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sensible<T> {
    /// What it is, as in "a leaf".
    pub what: &'static str,
    /// The least.
    pub least: T,
    /// The greatest.
    pub greatest: T,
    /// Why, as a clause without its full stop.
    pub why: &'static str,
}

/// A value outside its sensible range: a sentence without its full stop.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{given} is not {what}: {range} is, since {why}{hint}")]
pub struct NotSensible {
    /// The value as it was understood.
    pub given: Box<str>,
    /// What it was to be.
    pub what: &'static str,
    /// The least and the greatest, as in "1 to 9".
    pub range: Box<str>,
    /// Why.
    pub why: &'static str,
    /// What was meant, most likely; empty where nobody knows.
    pub hint: Box<str>,
}

/// Any length at all: nothing of this work reaches a metre.
pub const ANY_LENGTH: Sensible<Length> = Sensible {
    what: "a length",
    least: Length::from_tenth_um(-10_000_000),
    greatest: Length::from_tenth_um(10_000_000),
    why: "no part of this work reaches a metre",
};
/// The thickness of a feeler leaf.
pub const LEAF: Sensible<Length> = Sensible {
    what: "a leaf",
    least: Length::from_tenth_um(200),
    greatest: Length::from_tenth_um(15_000),
    why: "thinner foil crumples in a gap, and thicker stock is not a leaf",
};
/// An end of a clearance range, and the clearance to set.
pub const RANGE_LIMIT: Sensible<Length> = Sensible {
    what: "a limit of a clearance range",
    least: Length::from_thou(1),
    greatest: LEAF.greatest,
    why: "leaves read neither less nor more",
};
/// How far past top dead center the piston is when a valve is checked.
pub const PAST_TDC: Sensible<Length> = Sensible {
    what: "a distance past top dead center",
    least: Length::from_tenth_um(1_000),
    greatest: Length::from_tenth_um(250_000),
    why: "less cannot be measured through the plug hole, and 25 mm is past any release bump",
};
/// The same in tenths of a degree of the crank.
pub const PAST_TDC_TENTH_DEG: Sensible<u32> = Sensible {
    what: "an angle past top dead center in tenths of a degree",
    least: 10,
    greatest: 900,
    why: "less is not seen on a flywheel, and at 90° the piston is halfway down, past any release bump",
};
/// How far a piston is down.
pub const PISTON_DROP: Sensible<Length> =
    Sensible { what: "a piston's drop", least: Length::ZERO, greatest: STROKE.greatest, why: "a piston moves within its stroke" };
/// The stroke of an engine.
pub const STROKE: Sensible<Length> = Sensible {
    what: "a stroke",
    least: Length::from_tenth_um(200_000),
    greatest: Length::from_tenth_um(2_000_000),
    why: "engines of this trade have strokes of 20 to 200 mm",
};
/// The length of a connecting rod.
pub const CONNECTING_ROD: Sensible<Length> = Sensible {
    what: "a connecting rod",
    least: Length::from_tenth_um(300_000),
    greatest: Length::from_tenth_um(4_000_000),
    why: "a rod is about 1.5 to 2 strokes long",
};
/// The length of a part between cam and valve.
pub const TRAIN_PART: Sensible<Length> = Sensible {
    what: "a part of the valve train",
    least: Length::from_tenth_um(100_000),
    greatest: Length::from_tenth_um(5_000_000),
    why: "what lies between cam and valve is 10 to 500 mm long",
};
/// A tolerance or a standard uncertainty of a leaf or of its feel.
pub const UNCERTAINTY: Sensible<Length> = Sensible {
    what: "a tolerance of a leaf",
    least: Length::ZERO,
    greatest: Length::from_tenth_um(1_000),
    why: "a leaf that is off by over 0.1 mm is not the leaf that it says",
};
/// What an hour meter shows.
pub const METER: Sensible<Hours> = Sensible {
    what: "an hour-meter reading",
    least: Hours::from_tenths(0),
    greatest: Hours::MOST,
    why: "hour meters have at most six digits and a tenth",
};
/// The temperature of an engine, tenths of a degree Celsius.
pub const ENGINE_TEMPERATURE: Sensible<i32> = Sensible {
    what: "an engine's temperature in tenths of a degree",
    least: -600,
    greatest: 3_500,
    why: "outdoors it is warmer than -60 °C, and no head of this trade survives 350 °C",
};
/// How much warmer than cold a part is, tenths of a degree Celsius.
pub const WARMER: Sensible<i32> = Sensible {
    what: "a difference of temperature in tenths of a degree",
    least: -5_000,
    greatest: 5_000,
    why: "no part of an engine gets further from cold",
};
/// An angle of the crank, or on the flywheel's scale, in whole degrees.
pub const ANGLE: Sensible<i32> =
    Sensible { what: "an angle in degrees", least: -720, greatest: 720, why: "two turns of the crank are a whole cycle" };
/// The pitch of a metric adjuster's thread, micrometres.
pub const PITCH_UM: Sensible<u32> = Sensible {
    what: "a thread pitch in µm",
    least: 250,
    greatest: 2_500,
    why: "adjusters have threads of about M3x0.5 to M12x1.75, fine threads included",
};
/// The count of an inch adjuster's thread.
pub const THREADS_PER_INCH: Sensible<u32> = Sensible {
    what: "a count of threads in an inch",
    least: 10,
    greatest: 80,
    why: "adjusters have threads of about 4-40 to 1/2-13, fine threads included",
};
/// A rocker ratio, thousandths.
pub const RATIO_MILLI: Sensible<u32> = Sensible {
    what: "a rocker ratio in thousandths",
    least: 300,
    greatest: 3_000,
    why: "the arms of a rocker are seldom further apart than 1 to 2",
};
/// How far is far outside a range, in tenths of the range's width.
pub const FAR_TENTHS: Sensible<u32> = Sensible {
    what: "a number of tenths of a range's width",
    least: 5,
    greatest: 100,
    why: "closer is what wear does, and further off than ten widths nobody need be told",
};
/// Engine hours between checks.
pub const INTERVAL_HOURS: Sensible<u32> =
    Sensible { what: "a number of hours between checks", least: 1, greatest: 10_000, why: "engines of this trade do not live longer" };
/// Months between checks.
pub const INTERVAL_MONTHS: Sensible<u32> =
    Sensible { what: "a number of months between checks", least: 1, greatest: 120, why: "no valve is left alone for over ten years" };

impl<T: PartialOrd + Copy> Sensible<T> {
    /// Whether a value is within.
    pub fn holds(&self, value: T) -> bool {
        self.least <= value && value <= self.greatest
    }

    fn refused(&self, say: impl Fn(T) -> String, value: T) -> NotSensible {
        let (given, least, greatest) = (say(value), say(self.least), say(self.greatest));
        let range = format!("{least} to {greatest}").into();
        NotSensible { given: given.into(), what: self.what, range, why: self.why, hint: "".into() }
    }
}

impl<T: PartialOrd + Copy + Display> Sensible<T> {
    /// Whether a number is sensible.
    ///
    /// # Errors
    /// [`NotSensible`] with the reason.
    pub fn check(&self, value: T) -> Result<(), NotSensible> {
        if self.holds(value) { Ok(()) } else { Err(self.refused(|value| value.to_string(), value)) }
    }
}

impl Sensible<Length> {
    /// Whether a length is sensible; lengths are said in `unit`.
    ///
    /// # Errors
    /// [`NotSensible`] with the reason.
    pub fn check_length(&self, value: Length, unit: LengthUnit) -> Result<(), NotSensible> {
        if self.holds(value) { Ok(()) } else { Err(self.refused(|length| length.show(unit), value)) }
    }
}
