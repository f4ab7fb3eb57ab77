//! Whether the measuring is good enough: against the whole spread, or against the tolerance where the valves are set alike.
//!
//! Shares of the whole spread say something where the parts differ. Valves that were all set to one aim do not, so that even good
//! measuring is most of what spread is left. There, six times the measuring's standard deviation is held against the
//! tolerance, high less low of the engine card: AIAG, Measurement Systems Analysis, 4th ed. (2010), ch. III B, *value from memory*.

use serde::{Deserialize, Serialize};

use super::Spread;

/// Below so many percent the measuring is good. Common guidance, from memory of the AIAG manual.
pub const GOOD_PERCENT: f64 = 10.0;

/// Over so many percent the measuring is not good enough. Common guidance, from memory of the AIAG manual.
pub const USABLE_PERCENT: f64 = 30.0;

/// So many classes that can be told apart are wanted. Common guidance, from memory of the AIAG manual.
pub const WANTED_CLASSES: u32 = 5;

/// So many standard deviations of the measuring are held against the tolerance.
const DEVIATIONS: f64 = 6.0;

/// How good the measuring is, by common guidance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Grade {
    /// Below [`GOOD_PERCENT`].
    Good,
    /// From [`GOOD_PERCENT`] to [`USABLE_PERCENT`].
    Usable,
    /// Over [`USABLE_PERCENT`].
    NotGoodEnough,
}

impl Grade {
    const fn of(percent: f64) -> Self {
        if percent < GOOD_PERCENT {
            Self::Good
        } else if percent <= USABLE_PERCENT {
            Self::Usable
        } else {
            Self::NotGoodEnough
        }
    }

    const fn words(self) -> &'static str {
        match self {
            Self::Good => "good (under 10 %)",
            Self::Usable => "usable for some work, worth bettering (10 to 30 %)",
            Self::NotGoodEnough => "not good enough (over 30 %)",
        }
    }
}

/// What the measuring was held against.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// The whole spread of the readings.
    WholeSpread,
    /// The tolerance: the valves differ by less than it, as valves do that were set alike.
    Tolerance,
}

/// The verdict on the measuring.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Judged {
    /// What was used.
    pub basis: Basis,
    /// Six times `grr` over the tolerance, in percent, where there is a tolerance.
    pub percent_of_tolerance: Option<f64>,
    /// By what was used.
    pub grade: Grade,
}

impl Spread {
    /// The verdict. `tolerance` is high less low, in the unit of the readings; of several, the narrowest.
    ///
    /// It is used where it is above zero and six times the valves' own spread lies within it (common practice, no source).
    #[must_use]
    pub fn judged(&self, tolerance: Option<f64>) -> Judged {
        let tolerance = tolerance.filter(|tolerance| *tolerance > 0.0);
        let percent_of_tolerance = tolerance.map(|tolerance| 100.0 * DEVIATIONS * self.grr / tolerance);
        let alike = tolerance.is_some_and(|tolerance| DEVIATIONS * self.pv <= tolerance);
        let basis = if alike { Basis::Tolerance } else { Basis::WholeSpread };
        let percent = percent_of_tolerance.filter(|_| alike).unwrap_or(self.percent_grr);
        Judged { basis, percent_of_tolerance, grade: Grade::of(percent) }
    }

    /// The verdict about the people and the leaves in plain sentences, naming the method, what was used and where the guidance is
    /// from.
    #[must_use]
    pub fn words(&self, tolerance: Option<f64>) -> String {
        let Judged { basis, percent_of_tolerance, grade } = self.judged(tolerance);
        let between = self.av.hypot(self.interaction);
        let main = if grade == Grade::Good {
            ""
        } else if self.ev >= between {
            " Most of it is the same person reading otherwise the next time: look at the leaves and the feel of the drag."
        } else if self.av >= self.interaction {
            " Most of it is people differing from one another: let them read the same valves together and agree on the drag."
        } else {
            " Most of it is people differing on some valves and not on others: look at how those are reached."
        };
        let (method, spread, grade) = (self.method.word(), self.percent_grr, grade.words());
        let of_tolerance = percent_of_tolerance.unwrap_or_default();
        let said = match basis {
            Basis::Tolerance => format!(
                "By {method}, six times the measuring's spread is {of_tolerance:.1} % of the tolerance: {grade}. The tolerance was used, \
                 since these valves are set alike; of their whole spread the measuring makes {spread:.1} %.{main}"
            ),
            Basis::WholeSpread => {
                let against = if percent_of_tolerance.is_some() {
                    format!(" The whole spread was used, since these valves differ; of the tolerance, it is {of_tolerance:.1} %.")
                } else {
                    String::new()
                };
                let classes = match self.ndc {
                    None => String::new(),
                    Some(ndc) if ndc >= WANTED_CLASSES => format!(" It tells {ndc} sizes of clearance apart."),
                    Some(ndc) => format!(" It tells {ndc} sizes of clearance apart, and {WANTED_CLASSES} or more are wanted."),
                };
                format!("By {method}, the measuring makes {spread:.1} % of the whole spread: {grade}.{against}{main}{classes}")
            }
        };
        said + " The limits are common guidance, from memory."
    }
}
