//! What people type, as quantities: a temperature, a day, a level, how often, a slot. Lengths are read by `shared::entry`, through
//! the session.

use jiff::civil::{Date, DateTime};
use shared::engine_card::Interval;
use shared::entry::{self, EntryError};
use shared::record::Stage;
use shared::sensible::{ENGINE_TEMPERATURE, WARMER};
use shared::slot::Slot;
use shared::valve::Valve;

use crate::exit::Failure;

/// The temperature of an engine in degrees Celsius with at most one decimal, as tenths.
pub(crate) fn engine_tenth_c(text: &str) -> Result<i32, EntryError> {
    entry::tenth_c(text, &ENGINE_TEMPERATURE)
}

/// How much warmer than cold something is, in degrees Celsius with at most one decimal, as tenths.
pub(crate) fn warmer_tenth_c(text: &str) -> Result<i32, EntryError> {
    entry::tenth_c(text, &WARMER)
}

/// A level in percent, as a probability.
pub(crate) fn level(text: &str) -> Result<f64, String> {
    let number = text.trim().trim_end_matches('%').trim_end().replace(',', ".");
    let level = number.parse().ok().map(|percent: f64| percent / 100.0).filter(|level| (0.5..1.0).contains(level));
    level.ok_or_else(|| format!("\"{text}\" is not a level: write percent from 50 to below 100, as in 95"))
}

/// How often: hours, months or both, as in `100h,6mo`; `none` for no limit.
pub(crate) fn interval(text: &str) -> Result<Interval, String> {
    let wrong = || format!("\"{text}\" does not say how often: write 100h, 6mo, 100h,6mo or none");
    if text.trim() == "none" {
        return Ok(Interval::NONE);
    }
    let mut interval = Interval::NONE;
    for part in text.split(',').map(str::trim) {
        let digits = part.trim_end_matches(|c: char| !c.is_ascii_digit());
        let number = digits.parse().ok().filter(|n| *n > 0 && digits.bytes().all(|b| b.is_ascii_digit())).ok_or_else(wrong)?;
        let place = match part.strip_prefix(digits).map(str::trim) {
            Some("h") => &mut interval.hours,
            Some("mo" | "months") => &mut interval.months,
            _ => return Err(wrong()),
        };
        if place.replace(number).is_some() {
            return Err(wrong());
        }
    }
    Ok(interval)
}

/// A day.
pub(crate) fn day(text: &str) -> Result<Date, String> {
    text.trim().parse().map_err(|_| format!("\"{text}\" is not a day: write it as in 2026-04-29"))
}

/// A day, or a day with its time.
pub(crate) fn when(text: &str) -> Result<DateTime, String> {
    text.trim().parse().map_err(|_| format!("\"{text}\" is not a day: write it as in 2026-04-29 or 2026-04-29T14:30"))
}

/// A slot as people name it: `1I found`, `hours`, `machine card`; or its own name.
pub(crate) fn slot(text: &str) -> Slot {
    let mut words = text.split_whitespace();
    if let (Some(valve), Some(stage), None) = (words.next(), words.next(), words.next())
        && let (Ok(valve), Ok(stage)) = (valve.parse::<Valve>(), stage.parse::<Stage>())
    {
        return Slot::Lash(valve, stage);
    }
    match text.trim().to_ascii_lowercase().as_str() {
        "hours" | "hour meter" => Slot::Hours,
        "card" | "machine card" => Slot::Machine,
        _ => Slot::named(text.trim()),
    }
}

/// What can be read in a command's arguments, or a failure that says why not.
pub(crate) fn read<T: std::str::FromStr>(text: &str) -> Result<T, Failure>
where
    T::Err: std::fmt::Display,
{
    text.parse().map_err(|error: T::Err| Failure::Given(error.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn angles_and_levels() {
        assert_eq!([engine_tenth_c("18.5"), warmer_tenth_c("-4")], [Ok(185), Ok(-40)]);
        assert_eq!([level("95"), level("99.9 %"), level("50")], [Ok(0.95), Ok(99.9 / 100.0), Ok(0.5)]);
        for bad in ["", "sure", "0.95", "100", "nan", "-95"] {
            assert!(level(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn how_often() {
        let of = |hours, months| Ok(Interval { hours, months });
        assert_eq!(
            [interval("100h"), interval("6 mo"), interval(" 100 h, 6mo")],
            [of(Some(100), None), of(None, Some(6)), of(Some(100), Some(6))]
        );
        assert_eq!(interval("none"), of(None, None));
        for bad in ["", "100", "h", "0h", "-5h", "100h,50h", "6m", "100h,", "1.5h", "99999999999h"] {
            assert!(interval(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn slots() {
        assert_eq!(slot("1i  Found").to_string(), "lash/1I/found");
        assert_eq!(slot("hours"), Slot::Hours);
        assert_eq!(slot("lash/2E/left").to_string(), "lash/2E/left");
    }
}
