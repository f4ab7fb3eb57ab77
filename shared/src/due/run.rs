//! What an engine ran in a year, by a plain difference of two readings, and how much that is a day.

use serde::{Deserialize, Serialize};

use crate::hours::Hours;
use crate::usage::{Between, MS_PER_DAY, Season, day_of};

/// The first and the last reading of the 365 days up to the last one: times in ms since 1970 UTC, hours on the engine's scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Run {
    /// When the first was read.
    pub from_ms: i64,
    /// When the last was read.
    pub to_ms: i64,
    /// The hours run between them, not below zero.
    #[serde(rename = "run_tenth_h")]
    pub run: Hours,
}

impl Run {
    /// Of readings in any order. `None` for fewer than two, less than one day between them, or hours that fall. A plain difference
    /// of two readings: give it a chain's readings only. [`crate::usage::usage`] is the robust slope, with an interval.
    #[must_use]
    pub fn of(points: &[(i64, Hours)]) -> Option<Self> {
        let last = points.iter().max()?;
        let since_ms = last.0.saturating_sub(365 * MS_PER_DAY);
        let first = points.iter().filter(|point| point.0 >= since_ms).min()?;
        let run = last.1.minus(first.1);
        (last.0.saturating_sub(first.0) >= MS_PER_DAY && run.tenths() >= 0).then_some(Self { from_ms: first.0, to_ms: last.0, run })
    }

    /// Use in **tenths** of an engine hour per day of the season, or per day of the calendar without one.
    ///
    /// `None` where the two readings have less than a day of the season between them.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "a rate; readings and days stay far below 2^53")]
    pub fn tenth_hours_per_day(&self, season: Option<Between>) -> Option<f64> {
        let days = match season {
            None => self.to_ms.saturating_sub(self.from_ms) as f64 / MS_PER_DAY as f64,
            Some(_) => {
                let at = |ms| day_of(ms).map(|day| (day, ms));
                Season { between: season, ..Season::default() }.days_between(at(self.from_ms)?, at(self.to_ms)?)
            }
        };
        (days >= 1.0).then(|| self.run.tenths() as f64 / days)
    }
}
