//! What people type, as quantities: leaves with their stacks, a temperature, a day, an angle, a slot.

use jiff::civil::Date;
use shared::engine_card::Interval;
use shared::length::{Length, LengthUnit};
use shared::record::Stage;
use shared::slot::Slot;
use shared::usage::{Between, MonthDay};
use shared::valve::Valve;

use crate::exit::Failure;

/// The two leaves of a reading, and the single leaves where any were stacked.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct Leaves {
    pub(crate) go: Option<Length>,
    pub(crate) no_go: Option<Length>,
    pub(crate) single: Vec<Length>,
}

impl Leaves {
    /// Reads `5/6` (5 goes, 6 does not), `5/` (5 goes), `/6` (6 does not go). A stack is written `3+2`.
    pub(crate) fn short(text: &str, unit: LengthUnit) -> Result<Self, Failure> {
        let (go, no_go) = text
            .split_once('/')
            .ok_or_else(|| Failure::Given(format!("\"{text}\" does not say which leaf goes: write 5/6 (5 goes, 6 does not), 5/ or /6")))?;
        let some = |side: &str| Some(side.trim().to_owned()).filter(|side| !side.is_empty());
        Self::of(some(go).as_deref(), some(no_go).as_deref(), unit)
    }

    /// Reads the two leaves apart.
    pub(crate) fn of(go: Option<&str>, no_go: Option<&str>, unit: LengthUnit) -> Result<Self, Failure> {
        let mut leaves = Self::default();
        leaves.go = go.map(|text| leaves.stack(text, unit)).transpose()?;
        leaves.no_go = no_go.map(|text| leaves.stack(text, unit)).transpose()?;
        Ok(leaves)
    }

    /// One leaf, or several stacked, as one thickness.
    fn stack(&mut self, text: &str, unit: LengthUnit) -> Result<Length, Failure> {
        let single = text.split('+').map(|leaf| Length::parse(leaf, unit)).collect::<Result<Vec<_>, _>>();
        let single = single.map_err(|error| Failure::Given(error.to_string()))?;
        let thickness = single.iter().fold(Length::ZERO, |sum, leaf| sum.plus(*leaf));
        if single.len() > 1 {
            self.single.extend(single);
        }
        Ok(thickness)
    }
}

/// A temperature in degrees Celsius with at most one decimal, as tenths.
pub(crate) fn tenth_c(text: &str) -> Result<i32, String> {
    let wrong = || format!("\"{text}\" is not a temperature: write degrees Celsius with at most one decimal, as in 18.5");
    let (negative, digits) = text.trim().strip_prefix('-').map_or((false, text.trim()), |rest| (true, rest));
    let (whole, fraction) = digits.split_once(['.', ',']).unwrap_or((digits, "0"));
    let all_digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    if !all_digits(whole) || !all_digits(fraction) || whole.len() > 4 || fraction.len() > 1 {
        return Err(wrong());
    }
    let tenths: i32 = format!("{whole}{fraction}").parse().map_err(|_| wrong())?;
    Ok(if negative { -tenths } else { tenths })
}

/// A length; a bare number is in `unit`.
pub(crate) fn length(text: &str, unit: LengthUnit) -> Result<Length, Failure> {
    Length::parse(text, unit).map_err(|error| Failure::Given(error.to_string()))
}

/// A rocker ratio in thousandths.
pub(crate) fn ratio_milli(text: &str) -> Result<u32, String> {
    thousandths(text).ok_or_else(|| format!("\"{text}\" is not a rocker ratio: write it as in 1.3"))
}

/// A decimal number with at most three decimals, in thousandths.
pub(crate) fn thousandths(text: &str) -> Option<u32> {
    let text = text.trim();
    let (whole, fraction) = text.split_once(['.', ',']).unwrap_or((text, ""));
    let digits = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
    if whole.is_empty() || whole.len() > 4 || fraction.len() > 3 || !digits(whole) || !digits(fraction) {
        return None;
    }
    format!("{whole}{fraction:0<3}").parse().ok()
}

/// An angle in degrees.
pub(crate) fn degrees(text: &str) -> Result<f64, String> {
    let number = text.trim().trim_end_matches('°').trim_end().replace(',', ".");
    let degrees = number.parse().ok().filter(|degrees: &f64| degrees.abs() <= 100_000.0);
    degrees.ok_or_else(|| format!("\"{text}\" is not an angle: write degrees, as in 20 or 12.5"))
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

/// The first and last day of a season. Whether a year has such days is not said here.
pub(crate) fn between(text: &str) -> Result<Between, String> {
    let day = |text: &str| {
        let (month, day) = text.trim().split_once('-')?;
        let number = |s: &str| s.parse().ok().filter(|_| s.bytes().all(|b| b.is_ascii_digit()));
        Some(MonthDay { month: number(month)?, day: number(day)? })
    };
    let ends = text.split_once("..").and_then(|(from, to)| Some(Between { from: day(from)?, to: day(to)? }));
    ends.ok_or_else(|| format!("\"{text}\" is not a season: write its first and last day as month-day, as in 3-1..10-31"))
}

/// A slot as people name it: `1I found`, `hours`, `machine card`; or its own name.
pub(crate) fn slot(text: &str) -> Slot {
    let mut words = text.split_whitespace();
    if let (Some(valve), Some(stage), None) = (words.next(), words.next(), words.next())
        && let (Ok(valve), Ok(stage)) = (valve.parse::<Valve>(), stage.parse::<Stage>())
    {
        return Slot::lash(valve, stage);
    }
    match text.trim().to_ascii_lowercase().as_str() {
        "hours" | "hour meter" => Slot::hours(),
        "card" | "machine card" => Slot("machine".to_owned()),
        _ => Slot(text.trim().to_owned()),
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
    fn short_leaves() {
        let read = |text| Leaves::short(text, LengthUnit::Thou);
        let thou = |n| Some(Length::from_thou(n));
        assert_eq!(read("5/6").unwrap(), Leaves { go: thou(5), no_go: thou(6), single: vec![] });
        assert_eq!(read("5/").unwrap(), Leaves { go: thou(5), no_go: None, single: vec![] });
        assert_eq!(read(" / 6").unwrap(), Leaves { go: None, no_go: thou(6), single: vec![] });
        let stacked = read("3+2/6").unwrap();
        assert_eq!((stacked.go, stacked.single), (thou(5), vec![Length::from_thou(3), Length::from_thou(2)]));
        for bad in ["5", "five/6", "5/6/7", "3+/6", "5//6"] {
            assert!(matches!(read(bad), Err(Failure::Given(_))), "{bad}");
        }
    }

    #[test]
    fn temperatures() {
        assert_eq!(tenth_c("18.5"), Ok(185));
        assert_eq!(tenth_c("-4"), Ok(-40));
        for bad in ["", "warm", "1.25", "99999", "-", "."] {
            assert!(tenth_c(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn angles_levels_and_seasons() {
        assert_eq!([degrees("12,5°"), degrees("-20")], [Ok(12.5), Ok(-20.0)]);
        for bad in ["", "steep", "nan", "inf", "1e300", "°"] {
            assert!(degrees(bad).is_err(), "{bad}");
        }
        assert_eq!([level("95"), level("99.9 %"), level("50")], [Ok(0.95), Ok(99.9 / 100.0), Ok(0.5)]);
        for bad in ["", "sure", "0.95", "100", "nan", "-95"] {
            assert!(level(bad).is_err(), "{bad}");
        }
        let end = |month, day| MonthDay { month, day };
        assert_eq!(between("3-1..10-31"), Ok(Between { from: end(3, 1), to: end(10, 31) }));
        for bad in ["", "3-1", "3-1..", "3..10", "3-1..10-400", "+3-1..10-31", "March..October"] {
            assert!(between(bad).is_err(), "{bad}");
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
        assert_eq!(slot("1i  Found").0, "lash/1I/found");
        assert_eq!(slot("hours"), Slot::hours());
        assert_eq!(slot("lash/2E/left").0, "lash/2E/left");
    }
}
