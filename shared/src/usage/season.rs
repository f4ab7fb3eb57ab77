//! The season: which days count for a machine's use.

use std::fmt;
use std::str::FromStr;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};
use serde::{Deserialize, Serialize};

use super::UsageError;

pub(crate) const MS_PER_DAY: i64 = 86_400_000;

/// The longest trailing window, in days: ten years. Use of longer ago says nothing of next month.
pub const LONGEST_WINDOW_DAYS: u32 = 3653;

/// How far ahead a day is looked for, in days: ten years. What lies beyond is not worth a date.
pub const HORIZON_DAYS: i64 = 3653;

/// A day of the year.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct MonthDay {
    /// 1 to 12.
    pub month: i8,
    /// 1 to the month's last; 29 February may be named.
    pub day: i8,
}

/// The part of the year in which a machine works; both days belong to it. May span the turn of the year.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Between {
    /// The first day.
    pub from: MonthDay,
    /// The last day.
    pub to: MonthDay,
}

impl Between {
    /// Whole months, both included: 4 and 10 for April to October. Both 1 to 12.
    ///
    /// # Errors
    /// [`UsageError::NoSuchDay`] for a month that no year has.
    pub fn months(from: i8, to: i8) -> Result<Self, UsageError> {
        // A leap year, so that February is whole.
        let last = Date::new(2024, to, 1).map_err(|_| UsageError::NoSuchDay { month: to, day: 1 })?.days_in_month();
        let between = Self { from: MonthDay { month: from, day: 1 }, to: MonthDay { month: to, day: last } };
        Season { between: Some(between), ..Season::default() }.check().map(|()| between)
    }

    /// As it is written and read: `4..10`, `3-15..10-31`.
    #[must_use]
    pub fn form(&self) -> String {
        let Self { from, to } = *self;
        match Self::months(from.month, to.month) {
            Ok(whole) if whole == *self => format!("{}..{}", from.month, to.month),
            _ => format!("{}-{}..{}-{}", from.month, from.day, to.month, to.day),
        }
    }
}

const MONTHS: [&str; 12] =
    ["January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December"];

impl fmt::Display for Between {
    /// "April to October", "15 March to 31 October", "all year".
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name = |month: i8| usize::try_from(month - 1).ok().and_then(|at| MONTHS.get(at)).copied().unwrap_or("no month");
        let Self { from, to } = *self;
        match Self::months(from.month, to.month) {
            Ok(whole) if whole == *self && (from.month, to.month) == (1, 12) => f.write_str("all year"),
            Ok(whole) if whole == *self => write!(f, "{} to {}", name(from.month), name(to.month)),
            _ => write!(f, "{} {} to {} {}", from.day, name(from.month), to.day, name(to.month)),
        }
    }
}

/// A text that names no season.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{given}\" is not a season: write its first and last month as in 4..10, or its first and last day as in 3-15..10-31")]
pub struct SeasonError {
    /// What was given.
    pub given: String,
}

impl FromStr for Between {
    type Err = SeasonError;

    /// Reads `4..10` or `3-15..10-31`. 1..12 is the whole year.
    fn from_str(text: &str) -> Result<Self, SeasonError> {
        let wrong = || SeasonError { given: text.to_owned() };
        let number = |text: &str| text.trim().parse::<i8>().ok().filter(|_| text.trim().bytes().all(|b| b.is_ascii_digit()));
        let (from, to) = text.split_once("..").ok_or_else(wrong)?;
        let between = match (from.split_once('-'), to.split_once('-')) {
            (None, None) => number(from).zip(number(to)).and_then(|(from, to)| Self::months(from, to).ok()),
            (Some(from), Some(to)) => {
                let day = |(month, day): (&str, &str)| Some(MonthDay { month: number(month)?, day: number(day)? });
                day(from).zip(day(to)).map(|(from, to)| Self { from, to })
            }
            _ => None,
        };
        let checked = between.filter(|_| between.is_some_and(|b| Season { between: Some(b), ..Season::default() }.check().is_ok()));
        checked.ok_or_else(wrong)
    }
}

/// Which readings and which days count for a machine's use.
///
/// Outside the season's days the use is taken as **zero**: those days are left out of the time axis, so use is per
/// day *of the season*, and a date projected with it steps over them. Days are UTC days; a property's own midnight
/// moves an edge of the season by a day at most.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Season {
    /// How far back readings count, in calendar days, 1 to [`LONGEST_WINDOW_DAYS`].
    pub trailing_days: u32,
    /// The days of the year that count; all of them where missing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub between: Option<Between>,
}

impl Default for Season {
    /// The last 365 days, all year round.
    fn default() -> Self {
        Self { trailing_days: 365, between: None }
    }
}

impl Season {
    /// Whether the season can be.
    ///
    /// # Errors
    /// [`UsageError::Window`] or [`UsageError::NoSuchDay`].
    pub fn check(&self) -> Result<(), UsageError> {
        if self.trailing_days == 0 || self.trailing_days > LONGEST_WINDOW_DAYS {
            return Err(UsageError::Window { given: self.trailing_days });
        }
        for MonthDay { month, day } in self.between.into_iter().flat_map(|between| [between.from, between.to]) {
            // A leap year, so that 29 February may be named.
            if Date::new(2024, month, day).is_err() {
                return Err(UsageError::NoSuchDay { month, day });
            }
        }
        Ok(())
    }

    /// Whether a day belongs to the season.
    #[must_use]
    pub fn includes(&self, date: Date) -> bool {
        let Some(Between { from, to }) = self.between else { return true };
        let day = MonthDay { month: date.month(), day: date.day() };
        if from <= to { from <= day && day <= to } else { day >= from || day <= to }
    }

    /// The day on which so many days of the season have gone by after `on`; `on` itself for none.
    ///
    /// `None` beyond [`HORIZON_DAYS`] calendar days, past the calendar's end, or for days below zero.
    #[must_use]
    pub fn day_after(&self, on: Date, days: i64) -> Option<Date> {
        if !(0..=HORIZON_DAYS).contains(&days) {
            return None;
        }
        if self.between.is_none() {
            return on.checked_add(days.days()).ok();
        }
        let (mut date, mut to_go) = (on, days);
        for _ in 0..HORIZON_DAYS {
            if to_go == 0 {
                break;
            }
            date = date.tomorrow().ok()?;
            to_go -= i64::from(self.includes(date));
        }
        (to_go == 0).then_some(date)
    }

    /// Days of the season from one moment to a later one, with the part of a day; only for windows that [`check`]
    /// allows, since it steps through the days.
    ///
    /// [`check`]: Season::check
    pub(crate) fn days_between(&self, from: (Date, i64), to: (Date, i64)) -> f64 {
        let part = |(date, ms): (Date, i64)| if self.includes(date) { ms.rem_euclid(MS_PER_DAY) as f64 / MS_PER_DAY as f64 } else { 0.0 };
        let (mut date, mut whole) = (from.0, 0_u32);
        while date < to.0 {
            whole += u32::from(self.includes(date));
            match date.tomorrow() {
                Ok(next) => date = next,
                Err(_) => break,
            }
        }
        f64::from(whole) + part(to) - part(from)
    }
}

/// The UTC day of a time in ms since 1970; `None` outside the calendar.
pub(crate) fn day_of(at_ms: i64) -> Option<Date> {
    Timestamp::from_millisecond(at_ms).ok().map(|at| at.to_zoned_datetime(TimeZone::UTC).date())
}
