//! Times and days by the shop's clock: in the time zone that its settings name.

use jiff::Timestamp;
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;

use crate::judge::roster::Roster;

impl Roster {
    /// The shop's time zone; UTC where its name is none.
    #[must_use]
    pub fn zone(&self) -> TimeZone {
        TimeZone::get(&self.settings.time_zone).unwrap_or(TimeZone::UTC)
    }

    /// A time as the shop's clock shows it, to the minute.
    #[must_use]
    pub fn local(&self, ms: i64) -> String {
        match Timestamp::from_millisecond(ms) {
            Ok(at) => at.to_zoned_datetime(self.zone()).strftime("%Y-%m-%d %H:%M").to_string(),
            Err(_) => "outside the calendar".to_owned(),
        }
    }

    /// The day of a time in the shop's zone.
    #[must_use]
    pub fn day(&self, ms: i64) -> Date {
        Timestamp::from_millisecond(ms).unwrap_or(Timestamp::UNIX_EPOCH).to_zoned_datetime(self.zone()).date()
    }

    /// A time as the shop's clock shows it, in ms since 1970 UTC.
    #[must_use]
    pub fn ms_of(&self, local: DateTime) -> i64 {
        local.to_zoned_datetime(self.zone()).map_or(0, |zoned| zoned.timestamp().as_millisecond())
    }

    /// The first millisecond of a day in the shop's zone.
    #[must_use]
    pub fn day_start_ms(&self, day: Date) -> i64 {
        day.to_zoned_datetime(self.zone()).map_or(0, |zoned| zoned.timestamp().as_millisecond())
    }
}
