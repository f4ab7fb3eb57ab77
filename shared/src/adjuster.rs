//! The adjuster: how far to turn it for a change of clearance, and how far the lock nut may drag it.
//!
//! Rigid valve train, right-hand thread: tightening closes the clearance. For each turn the screw or nut moves by
//! one pitch, and the clearance by pitch × factor, with R = valve-side arm over push-rod-side arm:
//!
//! | adjuster | factor |
//! |---|---|
//! | screw at the valve end | 1 |
//! | screw at the push-rod end | R |
//! | nut on a stud that sets the rocker's pivot | 1 + R |
//!
//! Derived from the lever, no publication. Kept as an exact fraction until the last rounding. What is computed here
//! brings the leaf near; the leaf decides, after the nut is locked and the engine has been turned over.

use serde::{Deserialize, Serialize};

use crate::bracket::Bracket;
use crate::engine_card::{Adjuster, Range, Rocker, Thread};
use crate::length::Length;

/// The most turns that are taken for a correction; more means that a reading or the card is wrong.
pub const MOST_TURNS: i64 = 10;

/// Milli-degrees in one turn.
const MILLI_DEGREES_PER_TURN: i128 = 360_000;
/// Hundredths of a flat (sixth of a turn) in one turn.
const HUNDREDTH_FLATS_PER_TURN: i128 = 600;

/// A turn of the adjuster.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Turn {
    /// The angle in thousandths of a degree; above zero tightens and closes the clearance, below zero opens it.
    pub degrees_milli: i64,
    /// The same in hundredths of a flat, which is a sixth of a turn of a hex nut.
    pub sixths_hundredth: i64,
    /// It closes the clearance.
    pub closes: bool,
    /// Which way that is on a right-hand thread, looking at the end that is turned; the other way on a left-hand thread.
    pub right_hand: Way,
}

/// Which way something is turned, looking at the end that is turned.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Way {
    /// As the hands of a clock go.
    Clockwise,
    /// Against them.
    CounterClockwise,
}

impl Way {
    /// The way that closes the clearance or opens it, on a right-hand thread, which goes in clockwise (ISO 5408, *value from
    /// memory*). In each of the three places of the table above, what goes in brings the rocker nearer to the valve.
    #[must_use]
    pub const fn right_hand(closes: bool) -> Self {
        if closes { Self::Clockwise } else { Self::CounterClockwise }
    }

    /// The way in a word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Clockwise => "clockwise",
            Self::CounterClockwise => "counter-clockwise",
        }
    }
}

/// An adjuster that cannot be, or a turn that nobody makes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum AdjusterError {
    /// The thread has no pitch.
    #[error("the engine card gives the adjuster's thread as zero: it needs a pitch, or threads per inch, above zero")]
    NoPitch,
    /// The rocker has no ratio.
    #[error("the engine card gives the rocker ratio as zero: valve-side arm over push-rod-side arm is above zero")]
    NoRatio,
    /// Over [`MOST_TURNS`].
    #[error("a change of {:.2} mm is over {MOST_TURNS} turns of this adjuster: check the reading and the engine card", change.mm())]
    TooFar {
        /// The change asked for, in tenths of a µm.
        change: Length,
    },
    /// A range whose aim does not lie between its ends.
    #[error("the range is not a range: its low end lies below its high end, and the aim between them")]
    NoRange,
}

/// Tenths of a µm of clearance per turn, as `above / below`; both above zero.
struct PerTurn {
    above: i128,
    below: i128,
}

impl PerTurn {
    fn of(adjuster: &Adjuster) -> Result<Self, AdjusterError> {
        let (pitch, per) = match adjuster.thread {
            Thread::PitchUm(um) => (10 * i128::from(um), 1),
            Thread::PerInch(count) => (254_000, i128::from(count)),
        };
        if pitch == 0 || per == 0 {
            return Err(AdjusterError::NoPitch);
        }
        if adjuster.ratio_milli == 0 {
            return Err(AdjusterError::NoRatio);
        }
        let ratio = i128::from(adjuster.ratio_milli);
        let factor_milli = match adjuster.rocker {
            Rocker::RockerStudNut => 1000 + ratio,
            Rocker::PushRodEndScrew => ratio,
            Rocker::ValveEndScrew => 1000,
        };
        Ok(Self { above: pitch * factor_milli, below: per * 1000 })
    }

    /// The turn that closes the clearance by so many halves of a tenth of a µm, each figure by its own rounding.
    fn close_by(&self, half_tenth_um: i128, round: fn(i128, i128) -> i128) -> Result<Turn, AdjusterError> {
        let per_turn = 2 * self.above;
        let too_far = || AdjusterError::TooFar { change: Length::from_tenth_um(i64::try_from(-half_tenth_um / 2).unwrap_or(i64::MAX)) };
        let scaled = half_tenth_um * self.below;
        if scaled.abs() > i128::from(MOST_TURNS) * per_turn {
            return Err(too_far());
        }
        let whole = |units: i128| i64::try_from(round(scaled * units, per_turn)).map_err(|_| too_far());
        Ok(Turn {
            degrees_milli: whole(MILLI_DEGREES_PER_TURN)?,
            sixths_hundredth: whole(HUNDREDTH_FLATS_PER_TURN)?,
            closes: half_tenth_um > 0,
            right_hand: Way::right_hand(half_tenth_um > 0),
        })
    }
}

/// How far to turn, as far as two leaves tell: somewhere between the least and the most, both the same way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct TurnRange {
    /// From the leaf that is nearer to the aim.
    pub least: Turn,
    /// From the leaf that is further from it.
    pub most: Turn,
}

impl TurnRange {
    /// What to do: "Turn the adjuster 18° to 28° tighter (a quarter flat to half a flat), clockwise on a right-hand thread. …"
    #[must_use]
    pub fn words(&self) -> String {
        let Self { least, most } = self;
        let way = if most.closes { "tighter" } else { "looser" };
        // Outward, so that rounding never makes the range look sharper than the leaves.
        let degrees = between(least.angle(0), most.angle(999));
        let flats = between(flats(least.sixths_hundredth, nearest), flats(most.sixths_hundredth, nearest));
        format!(
            "Turn the adjuster {degrees} {way} ({flats}), {} on a right-hand thread. Begin with the least and feel for the aim as you \
             turn; then lock, turn the engine over twice and recheck.",
            most.right_hand.word()
        )
    }
}

/// What to do where [`to_aim`] has no answer.
pub const BOTH_SIDES_FIRST: &str =
    "How far to turn cannot be said yet: first find the largest leaf that goes and the smallest that does not.";

impl Turn {
    /// How far the lock nut may drag, where this turn came from [`carry_tolerated`]: "The lock nut may drag the adjuster up to
    /// 8° (an eighth of a flat) before the range is lost."
    #[must_use]
    pub fn carry_words(&self) -> String {
        // Rounded down: what is tolerated is never overstated.
        if self.degrees_milli.abs() < 1000 {
            return "The lock nut may not drag the adjuster at all: the range is lost within 1°.".to_owned();
        }
        let flats = flats(self.sixths_hundredth, |above, below| above / below);
        format!("The lock nut may drag the adjuster up to {} ({flats}) before the range is lost.", self.angle(0))
    }

    fn angle(self, rounding_milli: u64) -> String {
        let degrees = (self.degrees_milli.unsigned_abs() + rounding_milli) / 1000;
        match (degrees / 360, degrees % 360) {
            (0, 0) => "less than 1°".to_owned(),
            (0, degrees) => format!("{degrees}°"),
            (1, degrees) => format!("1 turn and {degrees}°"),
            (turns, degrees) => format!("{turns} turns and {degrees}°"),
        }
    }
}

fn between(least: String, most: String) -> String {
    match least == most {
        true if least.starts_with("less") => least,
        true => format!("about {least}"),
        false => format!("{least} to {most}"),
    }
}

/// Sixths of a turn as people count them on a nut, in eighths: "a quarter flat", "half a flat", "2 3/8 flats".
fn flats(sixths_hundredth: i64, round: fn(i128, i128) -> i128) -> String {
    const PARTS: [&str; 8] = ["", " 1/8", " 1/4", " 3/8", " 1/2", " 5/8", " 3/4", " 7/8"];
    let eighths = usize::try_from(round(i128::from(sixths_hundredth.unsigned_abs()) * 8, 100)).unwrap_or(usize::MAX);
    match eighths {
        0 => "less than an eighth of a flat".to_owned(),
        1 => "an eighth of a flat".to_owned(),
        2 => "a quarter flat".to_owned(),
        3 => "three eighths of a flat".to_owned(),
        4 => "half a flat".to_owned(),
        5 => "five eighths of a flat".to_owned(),
        6 => "three quarters of a flat".to_owned(),
        7 => "seven eighths of a flat".to_owned(),
        8 => "1 flat".to_owned(),
        more => format!("{}{} flats", more / 8, PARTS[more % 8]),
    }
}

/// The thread's pitch in nanometres: exact for metric threads, 25.4 mm over the count for inch threads.
///
/// Zero for a thread of zero, which [`turn`] refuses.
#[must_use]
pub fn pitch_nm(thread: Thread) -> f64 {
    match thread {
        Thread::PitchUm(um) => f64::from(um) * 1000.0,
        Thread::PerInch(0) => 0.0,
        Thread::PerInch(count) => 25_400_000.0 / f64::from(count),
    }
}

/// How far the clearance moves in one full turn, in tenths of a µm: pitch × factor, by the table above.
///
/// Zero for an adjuster of zero pitch or ratio, which [`turn`] refuses.
#[must_use]
#[expect(clippy::cast_precision_loss, reason = "a figure for a screen; turns are computed from the exact fraction")]
pub fn lash_per_turn(adjuster: &Adjuster) -> f64 {
    PerTurn::of(adjuster).map_or(0.0, |per| per.above as f64 / per.below as f64)
}

/// The turn for a change of clearance: wanted minus present, so a change below zero closes and tightens.
///
/// Rounded to the nearest thousandth of a degree and hundredth of a flat, half away from zero.
///
/// # Errors
/// [`AdjusterError`] where pitch or ratio is zero, or the change takes over [`MOST_TURNS`].
pub fn turn(adjuster: &Adjuster, change: Length) -> Result<Turn, AdjusterError> {
    PerTurn::of(adjuster)?.close_by(-2 * i128::from(change.tenth_um()), nearest)
}

/// The least and the most turn from a bracket to the aim, or to the middle of the range where no aim is named: from its two
/// leaves, and never one figure from its middle, which a coarse bracket puts far from the clearance.
///
/// It says nothing about whether to turn at all: a valve in spec is left alone. `None` where the bracket has an open edge or has
/// the aim inside it, so that not even the way is known ([`BOTH_SIDES_FIRST`]); also where pitch or ratio is zero, or the
/// turn is over [`MOST_TURNS`].
#[must_use]
pub fn to_aim(adjuster: &Adjuster, bracket: &Bracket, range: &Range) -> Option<TurnRange> {
    let aim = doubled_aim(range);
    let (go, no_go) = (bracket.go()?, bracket.no_go()?);
    let [from_go, from_no_go] = [go, no_go].map(|edge| doubled_middle(edge, edge) - aim);
    if from_go < 0 && from_no_go > 0 {
        return None;
    }
    let per_turn = PerTurn::of(adjuster).ok()?;
    let (least, most) = if from_go.abs() <= from_no_go.abs() { (from_go, from_no_go) } else { (from_no_go, from_go) };
    Some(TurnRange { least: per_turn.close_by(least, nearest).ok()?, most: per_turn.close_by(most, nearest).ok()? })
}

/// How far the lock nut may drag the adjuster from the aim (or the middle of the range) before the range is lost:
/// toward the nearer end, and toward tight where both are equally near. Rounded toward zero.
///
/// # Errors
/// [`AdjusterError`] where pitch or ratio is zero, the range is none or the aim outside it, or its nearer end is
/// over [`MOST_TURNS`] away.
pub fn carry_tolerated(adjuster: &Adjuster, range: &Range) -> Result<Turn, AdjusterError> {
    let per_turn = PerTurn::of(adjuster)?;
    let to_low = doubled_aim(range) - doubled_middle(range.low, range.low);
    let to_high = doubled_middle(range.high, range.high) - doubled_aim(range);
    if range.low >= range.high || to_low < 0 || to_high < 0 {
        return Err(AdjusterError::NoRange);
    }
    let closing = if to_low <= to_high { to_low } else { -to_high };
    per_turn.close_by(closing, |above, below| above / below)
}

/// Twice the middle of two lengths, in tenths of a µm: whole where the middle itself may be a half.
fn doubled_middle(one: Length, other: Length) -> i128 {
    i128::from(one.tenth_um()) + i128::from(other.tenth_um())
}

fn doubled_aim(range: &Range) -> i128 {
    range.aim.map_or_else(|| doubled_middle(range.low, range.high), |aim| doubled_middle(aim, aim))
}

/// `above / below` rounded to the nearest whole number, half away from zero; `below` above zero.
fn nearest(above: i128, below: i128) -> i128 {
    let half = if above < 0 { -below } else { below };
    (2 * above + half) / (2 * below)
}

#[cfg(test)]
mod tests;
