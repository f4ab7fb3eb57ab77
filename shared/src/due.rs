//! When a machine's valves want checking next: the earlier of the hours limit and the calendar limit.
//!
//! The calendar limit is exact. The hours limit is projected by the use per day, and rounded down to whole days, so
//! that the date is never later than either limit. All hours here are engine hours, with meter changes undone.
//!
//! [`due`] names one day for a list to be sorted by; [`due_range`] says how sure that day is.

use jiff::civil::Date;
use jiff::{Span, ToSpan};
use serde::{Deserialize, Serialize};

use crate::engine_card::Interval;
use crate::hours::Hours;
use crate::usage::{Between, Season};

mod iso;
mod range;
mod run;

pub use range::{DueRange, due_range};
pub use run::Run;

/// What is said where a check left something open, and there was none before it.
const LEFT_OPEN: &str = "Checked, and something was left open: due now.";

/// Due within so many days is due soon. Common practice, no source.
pub const SOON_DAYS: i32 = 14;

/// Due within this share of the hours interval, in percent, is due soon. Common practice, no source.
pub const SOON_PERCENT: i64 = 10;

/// A check of the valves.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LastCheck {
    /// On which day.
    #[serde(with = "iso::date")]
    pub date: Date,
    /// At how many engine hours, where they were read.
    #[serde(rename = "tenth_h", default, skip_serializing_if = "Option::is_none")]
    pub hours: Option<Hours>,
}

/// What is known of a machine.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DueInput {
    /// The last check, if there was one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last: Option<LastCheck>,
    /// No whole check is known, and a visit was finished with something left open.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub left_open: bool,
    /// The interval, by duty.
    pub interval: Interval,
    /// Engine hours as last read.
    #[serde(rename = "now_tenth_h", default, skip_serializing_if = "Option::is_none")]
    pub hours_now: Option<Hours>,
    /// When they were read; taken as today where missing.
    #[serde(rename = "now_date", with = "iso::optional_date", default, skip_serializing_if = "Option::is_none")]
    pub hours_now_date: Option<Date>,
    /// Use, in **tenths** of an engine hour per day of the season, as [`Run::tenth_hours_per_day`] gives it. Not above zero: not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tenth_hours_per_day: Option<f64>,
    /// The same as the shop estimates it: counts only where no hour was ever read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub estimate: Option<f64>,
    /// The days of the year on which the machine is used; all of them where missing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub season: Option<Between>,
    /// The day on which this is asked.
    #[serde(with = "iso::date")]
    pub today: Date,
}

/// How urgent a check is, most urgent first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum DueState {
    /// A limit is passed, or by the machine's use must have been.
    Overdue,
    /// No visit is known: due now.
    NeverChecked,
    /// No whole check is known, only visits that left something open: due now.
    LeftOpen,
    /// Within [`SOON_DAYS`] or [`SOON_PERCENT`].
    DueSoon,
    /// Neither limit can be followed: hours are missing, and there is no calendar limit.
    NotKnown,
    /// Later than soon.
    Later,
}

/// One of the two limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Limit {
    /// Engine hours since the last check.
    Hours,
    /// Months since the last check.
    Calendar,
}

/// When a check is due.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Due {
    /// How urgent.
    pub state: DueState,
    /// The engine hours at which it is due, where the interval has hours and the last check's are known.
    #[serde(rename = "by_tenth_h", default, skip_serializing_if = "Option::is_none")]
    pub by_hours: Option<Hours>,
    /// Hours to run until then from the last reading; below zero where they are passed.
    #[serde(rename = "left_tenth_h", default, skip_serializing_if = "Option::is_none")]
    pub hours_left: Option<Hours>,
    /// The calendar limit.
    #[serde(with = "iso::optional_date", default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(value_type = Option<String>, format = Date))]
    pub by_calendar: Option<Date>,
    /// The earliest day on which a limit is reached, as far as it is known; today where there is no whole check.
    #[serde(with = "iso::optional_date", default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(value_type = Option<String>, format = Date))]
    pub date: Option<Date>,
    /// Which limit comes first, as far as it is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit: Option<Limit>,
    /// The interval has an hours limit that cannot be followed, because hours are missing.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub hours_unknown: bool,
    /// The hours limit goes by the shop's estimate of the use: no hour was ever read.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub estimated: bool,
}

/// Use in **tenths** of an engine hour per day of the season, from an estimate of hours a week: for [`DueInput::estimate`].
#[must_use]
pub fn estimated_per_day(hours_per_week: u8) -> f64 {
    f64::from(hours_per_week) * 10.0 / 7.0
}

impl DueInput {
    /// The estimated use, where nothing better is known.
    fn estimated(&self) -> Option<f64> {
        let read = self.hours_now.is_some() || self.last.is_some_and(|last| last.hours.is_some());
        self.estimate.filter(|estimate| !read && estimate.is_finite() && *estimate > 0.0)
    }
}

/// The hours limit as far as it can be followed.
#[derive(Default)]
struct ByHours {
    by: Option<Hours>,
    left: Option<Hours>,
    date: Option<Date>,
    soon: bool,
}

impl Due {
    /// When and why, in a short sentence or two: "Due 2026-08-01 (in 93 days) by the calendar."
    #[must_use]
    pub fn words(&self, today: Date) -> String {
        let blind = if self.hours_unknown && self.state != DueState::NotKnown { " Its hours are not known." } else { "" };
        let sentence = match self.state {
            DueState::NeverChecked => "Never checked: due now.".to_owned(),
            DueState::LeftOpen => LEFT_OPEN.to_owned(),
            DueState::NotKnown => "Not known when it is due: its hours are not known.".to_owned(),
            DueState::Overdue => self.overdue_words(today),
            DueState::DueSoon | DueState::Later => match (self.limit, self.date, self.hours_left) {
                (Some(Limit::Hours), Some(date), Some(left)) => format!("Due {} by hours: {left} h left.", day_words(today, date)),
                (Some(Limit::Hours), Some(date), None) => format!("Due {} by hours, going by {}.", day_words(today, date), self.going_by()),
                (_, None, Some(left)) => format!("Due in {left} h of running."),
                (Some(Limit::Hours), None, None) | (None, None, None) => "Due later.".to_owned(),
                (_, Some(date), _) => format!("Due {} by the calendar.", day_words(today, date)),
                (Some(Limit::Calendar), None, None) => "Due by the calendar.".to_owned(),
            },
        };
        sentence + blind
    }

    const fn going_by(&self) -> &'static str {
        if self.estimated { "an estimate of its use, as it has no hour reading" } else { "its use" }
    }

    fn overdue_words(&self, today: Date) -> String {
        match (self.limit, self.hours_left, self.date) {
            (Some(Limit::Hours), Some(left), _) if left.tenths() < 0 => format!("Overdue by {} h.", Hours::default().minus(left)),
            (Some(Limit::Hours), _, Some(date)) => format!("Overdue by hours, going by {}: expected {date}.", self.going_by()),
            (_, _, Some(date)) => match days(date, today) {
                1 => format!("Overdue since {date}, by a day."),
                days => format!("Overdue since {date}, by {days} days."),
            },
            _ => "Overdue.".to_owned(),
        }
    }
}

/// When a check is due: the earlier of the hours limit, projected by the use per day, and the calendar limit.
///
/// A month is added as calendars do, held to the month's last day: 29 February + 12 months = 28 February. A limit past
/// the year 9999 is held there. A reading of fewer hours than at the last check is not used.
///
/// The due day itself is not overdue; the day after is. A missing use per day leaves the hours limit without a date,
/// and a reading beyond it is overdue all the same.
#[must_use]
pub fn due(input: &DueInput) -> Due {
    let Some(last) = input.last else {
        return Due {
            state: if input.left_open { DueState::LeftOpen } else { DueState::NeverChecked },
            by_hours: None,
            hours_left: None,
            by_calendar: None,
            date: Some(input.today),
            limit: None,
            hours_unknown: false,
            estimated: false,
        };
    };
    let by_calendar = by_calendar(input, last);
    let hours = by_hours(input, last);
    let date = [hours.date, by_calendar].into_iter().flatten().min();
    let soon_date = later(input.today, Ok(SOON_DAYS.days()));
    let state = match date {
        _ if hours.left.is_some_and(|left| left.tenths() < 0) => DueState::Overdue,
        Some(date) if date < input.today => DueState::Overdue,
        Some(date) if date <= soon_date => DueState::DueSoon,
        _ if hours.soon => DueState::DueSoon,
        None if hours.left.is_none() => DueState::NotKnown,
        _ => DueState::Later,
    };
    let limit = match (hours.date, by_calendar) {
        (Some(by_hours), Some(by_calendar)) if by_hours > by_calendar => Some(Limit::Calendar),
        (Some(_), _) => Some(Limit::Hours),
        // Without a use per day: hours that are nearly up come before a calendar limit that is not.
        (None, Some(by_calendar)) if hours.soon && by_calendar > soon_date => Some(Limit::Hours),
        (None, Some(_)) => Some(Limit::Calendar),
        (None, None) => hours.left.map(|_| Limit::Hours),
    };
    let hours_unknown = input.interval.hours.is_some() && hours.left.is_none() && hours.date.is_none();
    let estimated = input.estimated().is_some() && hours.date.is_some();
    // Without a reading there is no figure on a meter at which it is due.
    let by_hours = hours.by.filter(|_| !estimated);
    Due { state, by_hours, hours_left: hours.left, by_calendar, date, limit, hours_unknown, estimated }
}

/// Where the hours limit is projected from.
#[derive(Clone, Copy)]
struct Anchor {
    /// The hours at which it is reached.
    by: Hours,
    /// Hours until then; zero or below where it is reached.
    left: Hours,
    /// The day on which so many were left.
    on: Date,
    interval: Hours,
}

/// The last reading, or the check itself where there is none since; `None` where hours are missing.
fn anchor(input: &DueInput, last: LastCheck) -> Option<Anchor> {
    let at_check = last.hours.or_else(|| input.estimated().map(|_| Hours::default()))?;
    let interval = input.interval.hours?;
    let interval = Hours::from_tenths(10 * i64::from(interval));
    let by = at_check.plus(interval);
    let read_on = input.hours_now_date.unwrap_or(input.today);
    let (run, on) = match input.hours_now {
        Some(now) if now >= at_check => (now, read_on.min(input.today)),
        _ => (at_check, last.date.min(input.today)),
    };
    Some(Anchor { by, left: by.minus(run), on, interval })
}

fn by_hours(input: &DueInput, last: LastCheck) -> ByHours {
    let Some(Anchor { by, left, on, interval }) = anchor(input, last) else { return ByHours::default() };
    let per_day = input.estimated().or(input.tenth_hours_per_day).filter(|per_day| per_day.is_finite() && *per_day > 0.0);
    let date = if left.tenths() <= 0 { Some(on) } else { per_day.map(|per_day| run_out(on, whole_days(left, per_day), input.season)) };
    let left = input.hours_now.map(|_| left);
    let soon = left.is_some_and(|left| left.tenths().saturating_mul(100) <= interval.tenths() * SOON_PERCENT);
    ByHours { by: Some(by), left, date, soon }
}

/// The day on which so many days of use have gone by. Days out of season are stepped over; what lies beyond ten years of a season
/// is held to the calendar's last day.
fn run_out(on: Date, days: i64, season: Option<Between>) -> Date {
    match season {
        None => later(on, Span::new().try_days(days)),
        Some(_) => Season { between: season, ..Season::default() }.day_after(on, days).unwrap_or(Date::MAX),
    }
}

/// The calendar limit.
fn by_calendar(input: &DueInput, last: LastCheck) -> Option<Date> {
    input.interval.months.map(|months| later(last.date, Span::new().try_months(i64::from(months))))
}

/// Whole days, rounded down, until so many hours are run; held to a number that no calendar reaches.
#[expect(clippy::cast_precision_loss, clippy::cast_possible_truncation, reason = "held to 0 to 10^7 before the cast")]
fn whole_days(left: Hours, tenth_hours_per_day: f64) -> i64 {
    (left.tenths() as f64 / tenth_hours_per_day).floor().clamp(0.0, 1e7) as i64
}

/// The date after a span, held to the calendar's last day.
fn later(date: Date, span: Result<Span, jiff::Error>) -> Date {
    span.map_or(Date::MAX, |span| date.saturating_add(span))
}

/// Whole days from one date to another, below zero where it is earlier.
fn days(from: Date, to: Date) -> i32 {
    from.until(to).map_or(0, |span| span.get_days())
}

fn day_words(today: Date, date: Date) -> String {
    match days(today, date) {
        ..0 => date.to_string(),
        0 => "today".to_owned(),
        1 => format!("{date} (tomorrow)"),
        days => format!("{date} (in {days} days)"),
    }
}

#[cfg(test)]
mod tests;
