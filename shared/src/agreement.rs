//! Agreement between people: how much of the spread of repeat readings is the measuring itself.
//!
//! A study is crossed: every person reads every part (a valve, or a gap that stays as it is) as often as every other.
//! Two ways to take it apart, which do not agree to the last digit, so that every answer names its method:
//!
//! - [`average_and_range`]: by hand with constants; 2 or 3 trials and people, 2 to 10 parts.
//! - [`anova`]: by the analysis of variance, which also sees whether people differ on some parts only; any size.
//!
//! Words: *repeatability* (`ev`) is the spread of one person reading one part again, *reproducibility* (`av`) that
//! between people, `grr` both together (and their interaction), `pv` the parts' own spread, `tv` everything. All are
//! standard deviations in the unit of the readings.
//!
//! Source: the method of AIAG, Measurement Systems Analysis, 4th ed. (2010), ch. III B. The manual was not opened; its
//! worked example was read, as data and results, in public test files that quote it.

use serde::{Deserialize, Serialize};

mod anova;
mod gauge_rr;
mod ranges;
mod readings;

pub use anova::{Anova, Component, DEFAULT_POOLING_ALPHA, FTest, Line, anova};
pub use gauge_rr::{Basis, GOOD_PERCENT, Grade, Judged, USABLE_PERCENT, WANTED_CLASSES};
pub use ranges::{AverageRange, Constants, WideRange, average_and_range, average_and_range_with};
pub use readings::{Crossed, LeftOut, LeftOutWhy, MOST_SEARCHED_PEOPLE, RepeatReading};

/// The most readings of one study, so that no input takes for ever.
pub const MOST_READINGS: usize = 1_000_000;

/// The greatest magnitude of a reading, far above any in any unit: squares stay far from overflow.
pub const LARGEST_READING: f64 = 1e12;

/// The readings of a crossed study: at least 2 parts, 2 people and 2 trials, every cell full, every reading finite.
#[derive(Debug, Clone, PartialEq)]
pub struct Study {
    /// By part, then person, then trial.
    readings: Vec<f64>,
    parts: usize,
    people: usize,
    trials: usize,
}

/// One of the three directions of a study.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Direction {
    /// What is read.
    Parts,
    /// Who reads.
    People,
    /// How often each reads each.
    Trials,
}

/// How a spread was taken apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// From averages and ranges.
    AverageAndRange,
    /// By the analysis of variance.
    Anova,
}

/// A spread taken apart: standard deviations in the unit of the readings, and their shares of the total.
///
/// Shares are of standard deviations, so they do not add up to 100; their squares add up to 100².
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Spread {
    /// How it was taken apart.
    pub method: Method,
    /// Repeatability: one person, one part, again.
    pub ev: f64,
    /// Reproducibility: between people, over all parts.
    pub av: f64,
    /// Between people on some parts only; 0 by average and range, which does not see it.
    pub interaction: f64,
    /// The measuring altogether: √(`ev`² + `av`² + `interaction`²).
    pub grr: f64,
    /// Between parts.
    pub pv: f64,
    /// Everything: √(`grr`² + `pv`²). Above zero.
    pub tv: f64,
    /// `ev` over `tv`, in percent.
    pub percent_ev: f64,
    /// `av` over `tv`, in percent.
    pub percent_av: f64,
    /// `interaction` over `tv`, in percent.
    pub percent_interaction: f64,
    /// `grr` over `tv`, in percent.
    pub percent_grr: f64,
    /// `pv` over `tv`, in percent.
    pub percent_pv: f64,
    /// How many classes of parts can be told apart: ⌊1.41 `pv` / `grr`⌋, 0 or more. `None` where the measuring shows no
    /// spread at all, and any number could be.
    pub ndc: Option<u32>,
}

/// Readings that are no study, or a study that a method cannot take apart.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AgreementError {
    /// Fewer than two parts, people or trials.
    #[error("a study needs at least 2 {}, not {given}", direction.word())]
    TooFew {
        /// Of what.
        direction: Direction,
        /// How many were given.
        given: usize,
    },
    /// More readings than any study has.
    #[error("{given} readings are more than any study has (at most {MOST_READINGS})")]
    TooMany {
        /// How many were given.
        given: usize,
    },
    /// A part that not every person read.
    #[error("part {part} has {given} people where part 1 has {expected}: every person reads every part")]
    RaggedPeople {
        /// Which part, counted from 1.
        part: usize,
        /// How many people read it.
        given: usize,
        /// How many read the first.
        expected: usize,
    },
    /// A person who read a part more or less often than the first person read the first part.
    #[error("person {person} read part {part} {given} times, and person 1 read part 1 {expected} times: all must be alike")]
    RaggedTrials {
        /// Which part, counted from 1.
        part: usize,
        /// Which person, counted from 1.
        person: usize,
        /// How often.
        given: usize,
        /// How often it should be.
        expected: usize,
    },
    /// A reading that is no number, infinite, or beyond ±[`LARGEST_READING`].
    #[error("trial {trial} of person {person} on part {part} is not a number that a reading can be")]
    NotAReading {
        /// Which part, counted from 1.
        part: usize,
        /// Which person, counted from 1.
        person: usize,
        /// Which trial, counted from 1.
        trial: usize,
    },
    /// More parts, people or trials than the average-and-range method has constants for.
    #[error("average and range is for 2 to {most} {}, not {given}: use the analysis of variance, which takes any number", direction.word())]
    NoConstants {
        /// Of what.
        direction: Direction,
        /// How many the study has.
        given: usize,
        /// How many the constants reach.
        most: usize,
    },
    /// A constant that is not above zero.
    #[error("the constants of average and range are numbers above zero")]
    WrongConstants,
    /// A pooling level that is no probability.
    #[error("the pooling level is a probability from 0 to 1, not {given}")]
    PoolingAlpha {
        /// What was given.
        given: f64,
    },
    /// Readings without any spread that the method sees.
    #[error(
        "the readings show no spread that this method sees, so there is nothing to take apart: read parts that differ, with finer leaves"
    )]
    NoSpread,
    /// Repeat readings without a complete crossed block.
    #[error(
        "no two people read the same two parts twice each with a leaf that entered and one that did not: {closed} closed and {open} open readings make no study"
    )]
    NotCrossed {
        /// How many readings had both leaves.
        closed: usize,
        /// How many lacked one.
        open: usize,
    },
}

impl Direction {
    /// "parts", "people", "trials".
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Parts => "parts",
            Self::People => "people",
            Self::Trials => "trials",
        }
    }
}

impl Method {
    /// "average and range", "analysis of variance".
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::AverageAndRange => "average and range",
            Self::Anova => "analysis of variance",
        }
    }
}

impl Study {
    /// A study of readings by part, then person, then trial: `readings[part][person][trial]`, all in one unit, which
    /// is the unit of every answer.
    ///
    /// # Errors
    /// [`AgreementError`], naming the first cell that is missing, over, or no reading; or too few or many of anything.
    pub fn new(readings: Vec<Vec<Vec<f64>>>) -> Result<Self, AgreementError> {
        let parts = readings.len();
        let people = readings.first().map_or(0, Vec::len);
        let trials = readings.first().and_then(|people| people.first()).map_or(0, Vec::len);
        for (direction, given) in [(Direction::Parts, parts), (Direction::People, people), (Direction::Trials, trials)] {
            if given < 2 {
                return Err(AgreementError::TooFew { direction, given });
            }
        }
        let given = parts.saturating_mul(people).saturating_mul(trials);
        if given > MOST_READINGS {
            return Err(AgreementError::TooMany { given });
        }
        let mut flat = Vec::with_capacity(given);
        for (part, of_part) in (1..).zip(&readings) {
            if of_part.len() != people {
                return Err(AgreementError::RaggedPeople { part, given: of_part.len(), expected: people });
            }
            for (person, of_person) in (1..).zip(of_part) {
                if of_person.len() != trials {
                    return Err(AgreementError::RaggedTrials { part, person, given: of_person.len(), expected: trials });
                }
                for (trial, reading) in (1..).zip(of_person) {
                    if !reading.is_finite() || reading.abs() > LARGEST_READING {
                        return Err(AgreementError::NotAReading { part, person, trial });
                    }
                    flat.push(*reading);
                }
            }
        }
        Ok(Self { readings: flat, parts, people, trials })
    }

    /// How many parts.
    #[must_use]
    pub const fn parts(&self) -> usize {
        self.parts
    }

    /// How many people.
    #[must_use]
    pub const fn people(&self) -> usize {
        self.people
    }

    /// How many trials of each person on each part.
    #[must_use]
    pub const fn trials(&self) -> usize {
        self.trials
    }

    /// The cells in order, each with its part and person counted from 0.
    fn cells(&self) -> impl Iterator<Item = (usize, usize, &[f64])> {
        self.readings.chunks(self.trials).enumerate().map(|(at, cell)| (at / self.people, at % self.people, cell))
    }

    /// What rounding alone may leave of a difference that is none, in the unit of the readings.
    fn rounding(&self) -> f64 {
        1e-12 * self.readings.iter().fold(0.0f64, |most, reading| most.max(reading.abs()))
    }
}

impl Spread {
    /// From the standard deviations, each finite and 0 or more.
    fn of(method: Method, ev: f64, av: f64, interaction: f64, pv: f64) -> Result<Self, AgreementError> {
        let grr = ev.hypot(av).hypot(interaction);
        let tv = grr.hypot(pv);
        if !(tv > 0.0 && tv.is_finite()) {
            return Err(AgreementError::NoSpread);
        }
        let percent = |part: f64| 100.0 * part / tv;
        Ok(Self {
            method,
            ev,
            av,
            interaction,
            grr,
            pv,
            tv,
            percent_ev: percent(ev),
            percent_av: percent(av),
            percent_interaction: percent(interaction),
            percent_grr: percent(grr),
            percent_pv: percent(pv),
            ndc: (grr > 0.0).then(|| classes(pv, grr)),
        })
    }
}

/// ⌊1.41 `pv` / `grr`⌋, for `grr` above zero. The factor is √2 cut to two decimals, as the method has it.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held to 0 to 2^31 before the cast")]
fn classes(pv: f64, grr: f64) -> u32 {
    (1.41 * pv / grr).floor().clamp(0.0, 2_147_483_648.0) as u32
}

/// A count as a number to divide by.
#[expect(clippy::cast_precision_loss, reason = "counts of readings stay at or below 10^6, their products below 2^53")]
const fn number(count: usize) -> f64 {
    count as f64
}

/// The mean; 0 of nothing, which no cell is.
fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / number(values.len().max(1))
}

#[cfg(test)]
mod tests;
