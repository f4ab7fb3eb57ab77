//! Use of a machine: engine hours per day over the meter chain in a trailing season, as an interval.
//!
//! A plain difference of two readings follows either of them when it is wrong. The slope here is Theil–Sen's (see
//! [`theil_sen`]), which one bad reading in four does not move.
//!
//! What the interval is not: readings of a meter add up, so one busy week is in every later reading, and the ranks
//! behind the interval take readings as independent. It is the interval of the slope over the season seen, not a
//! promise for the season to come.

use serde::{Deserialize, Serialize};

use crate::hours::Hours;
use crate::text::count;

mod season;
mod slope;

pub use season::{Between, HORIZON_DAYS, LONGEST_WINDOW_DAYS, MonthDay, Season, SeasonError};
pub(crate) use season::{MS_PER_DAY, day_of};
pub(crate) use slope::kendall;
pub use slope::{MOST_POINTS, TheilSen, theil_sen};

/// The confidence level of the interval. Common practice, no source.
pub const LEVEL: f64 = 0.95;

/// The fewest visits whose ranks can hold 95 %: `1 − 2/n!` is 0.917 for four and 0.983 for five.
pub const FEWEST_FOR_RANKS: usize = 5;

/// Readings less than this apart, in ms, are of one visit: half a day. Common practice, no source.
const VISIT_MS: i64 = MS_PER_DAY / 2;

/// Tenths of an hour in a day: no meter runs faster.
const MOST_PER_DAY: f64 = 240.0;

/// How much a machine is used.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Usage {
    /// **Tenths** of an engine hour per day of the season; 0 to 240.
    pub tenth_hours_per_day: f64,
    /// The low end of the interval, in the same unit, at least 0.
    pub low: f64,
    /// The high end of the interval, in the same unit, at most 240.
    pub high: f64,
    /// How many visits with a reading it rests on.
    pub readings: u32,
    /// Whole days of the season from the first of them to the last.
    pub days: u32,
    /// Today belongs to the season; if not, the use is taken as zero until it begins.
    pub in_season: bool,
    /// Fewer than [`FEWEST_FOR_RANKS`] visits: the interval is half to double, a rule of thumb, and no statistic.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub few_readings: bool,
    /// The season it was taken over, with which a date is projected.
    pub season: Season,
}

/// Points or readings that give no slope, or a season that cannot be.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum UsageError {
    /// Not as many x as y.
    #[error("{x} values of x and {y} of y: a slope needs as many of one as of the other")]
    UnequalLengths {
        /// How many x.
        x: usize,
        /// How many y.
        y: usize,
    },
    /// Fewer than two points.
    #[error("{given} points have no slope: it needs at least two")]
    TooFewPoints {
        /// How many were given.
        given: usize,
    },
    /// A confidence level outside its range.
    #[error("a confidence level is at least 0.5 and below 1, as in 0.95")]
    Level,
    /// NaN, infinite, or so large that a slope is.
    #[error("a value is not a number, or too large to compare with the others")]
    NotFinite,
    /// All x are equal.
    #[error("all points are of the same time, so nothing can be said of a rate")]
    SameTime,
    /// A trailing window of no days or too many.
    #[error("a season looks back 1 to {LONGEST_WINDOW_DAYS} days, not {given}")]
    Window {
        /// What was given.
        given: u32,
    },
    /// A day that no year has.
    #[error("month {month} has no day {day}: a season begins and ends on a day of the year")]
    NoSuchDay {
        /// The month given.
        month: i8,
        /// The day given.
        day: i8,
    },
    /// Today lies outside the calendar.
    #[error("the time {now_ms} ms lies outside the calendar: check the clock")]
    NoSuchTime {
        /// What was given.
        now_ms: i64,
    },
    /// No reading, or one visit only, in the window.
    #[error("{} with an hour reading in the last {}: hours per day need two, at least half a day apart", count(*visits, "visit", "visits"), count(*days as usize, "day", "days"))]
    TooFewReadings {
        /// How many visits.
        visits: usize,
        /// The trailing window.
        days: u32,
    },
    /// Less than one day of the season from first to last.
    #[error("the hour readings span less than a day of the season, too short for hours per day: read the meter again at the next visit")]
    TooShort,
    /// The hours fall over time.
    #[error("the hours fall over time: some reading is wrong, or the meter was changed and the change not written down")]
    Falls,
    /// The hours rise by more than 24 a day.
    #[error("the hours rise faster than the clock in season: a reading is wrong, or the machine runs out of season too")]
    FasterThanClock,
}

impl Usage {
    /// How much and how surely: "0.6 h a day (0.5 to 0.7), from 12 readings over 210 days." Adds what is doubtful.
    #[must_use]
    pub fn words(&self) -> String {
        let (likely, low, high) = (self.tenth_hours_per_day / 10.0, self.low / 10.0, self.high / 10.0);
        let day = if self.season.between.is_some() { "a day in season" } else { "a day" };
        let (readings, days) = (self.readings, self.days);
        let span = count(days as usize, "day", "days");
        let readings = count(readings as usize, "reading", "readings");
        let few = if self.few_readings { " Few readings: the range is half to double, a rule of thumb." } else { "" };
        let off = if self.in_season { "" } else { " Out of season now: taken as standing still." };
        format!("{likely:.1} h {day} ({low:.1} to {high:.1}), from {readings} over {span}.{few}{off}")
    }
}

/// Engine hours per day of the season, in tenths, with a 95 % interval.
///
/// `points` are `(ms since 1970 UTC, engine hours)` of **one meter chain**, in any order, as `meter::chain` keeps
/// them; `now_ms` is the time it is asked. Counted are readings of the trailing window and, for clocks that run
/// ahead, of up to a day after now. Of readings less than half a day apart the latest counts: they are one visit, and
/// their tenths of an hour over minutes would be rates of nothing.
///
/// Days out of season are no time at all, so a reading out of season stands at the season's edge: a winter service
/// still closes one season and opens the next. Hours run out of season show as a jump there, which few other pairs
/// share.
///
/// The interval is [`theil_sen`]'s, widened by the tenth that a meter does not show over the whole span. Under
/// [`FEWEST_FOR_RANKS`] visits it is at least half to double the slope (common practice, no source), and
/// [`Usage::few_readings`] says so.
///
/// Source: see [`theil_sen`]; no published example of a seasonal hour meter was found.
///
/// # Errors
/// [`UsageError`] for a season or time that cannot be, fewer than two visits in the window, less than a day of the
/// season between them, hours that fall, or that rise by more than 24 a day.
pub fn usage(points: &[(i64, Hours)], now_ms: i64, season: &Season) -> Result<Usage, UsageError> {
    season.check()?;
    let today = day_of(now_ms).ok_or(UsageError::NoSuchTime { now_ms })?;
    let since_ms = now_ms.saturating_sub(i64::from(season.trailing_days) * MS_PER_DAY);
    let until_ms = now_ms.saturating_add(MS_PER_DAY);
    let mut inside: Vec<(i64, Hours)> = points.iter().copied().filter(|(at_ms, _)| (since_ms..=until_ms).contains(at_ms)).collect();
    inside.sort_unstable();
    let mut visits: Vec<(i64, Hours)> = Vec::new();
    for point in inside.into_iter().rev() {
        if visits.last().is_none_or(|kept| kept.0.saturating_sub(point.0) >= VISIT_MS) {
            visits.push(point);
        }
    }
    visits.reverse();
    if visits.len() < 2 {
        return Err(UsageError::TooFewReadings { visits: visits.len(), days: season.trailing_days });
    }

    let (mut days, mut hours) = (Vec::with_capacity(visits.len()), Vec::with_capacity(visits.len()));
    let mut before: Option<((jiff::civil::Date, i64), f64)> = None;
    for (at_ms, shown) in &visits {
        let at = (day_of(*at_ms).ok_or(UsageError::NoSuchTime { now_ms })?, *at_ms);
        let day = before.map_or(0.0, |(earlier, gone)| gone + season.days_between(earlier, at));
        before = Some((at, day));
        days.push(day);
        hours.push(shown.tenths() as f64);
    }
    let span = days.last().copied().unwrap_or_default();
    if span < 1.0 {
        return Err(UsageError::TooShort);
    }
    let line = theil_sen(&days, &hours, LEVEL)?;
    if line.slope < 0.0 {
        return Err(UsageError::Falls);
    }
    if line.slope > MOST_PER_DAY {
        return Err(UsageError::FasterThanClock);
    }
    let few_readings = visits.len() < FEWEST_FOR_RANKS;
    let (low, high) = if few_readings { (line.low.min(line.slope / 2.0), line.high.max(line.slope * 2.0)) } else { (line.low, line.high) };
    Ok(Usage {
        tenth_hours_per_day: line.slope,
        low: (low - 1.0 / span).max(0.0),
        high: (high + 1.0 / span).min(MOST_PER_DAY),
        readings: u32::try_from(visits.len()).unwrap_or(u32::MAX),
        days: whole(span),
        in_season: season.includes(today),
        few_readings,
        season: *season,
    })
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a span of 1 to 3654 days")]
fn whole(days: f64) -> u32 {
    days.floor() as u32
}

#[cfg(test)]
mod tests;
