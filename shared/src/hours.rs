//! Engine hours: whole tenths of an hour, as an hour meter shows them.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// Milliseconds in a tenth of an hour.
pub const MS_PER_TENTH_HOUR: i64 = 360_000;

/// Engine hours, in whole tenths.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, Default)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(transparent)]
pub struct Hours(i64);

/// A text that is not an hour-meter reading.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{given}\" is not an hour-meter reading: write hours with at most one decimal, from 0 to 999999.9, as in 1523.4")]
pub struct HoursError {
    /// What was given.
    pub given: String,
}

impl Hours {
    /// The most that is taken for an hour meter: 999 999.9 h.
    pub const MOST: Self = Self(9_999_999);

    /// From whole tenths of an hour.
    #[must_use]
    pub const fn from_tenths(tenths: i64) -> Self {
        Self(tenths)
    }

    /// Whole tenths of an hour.
    #[must_use]
    pub const fn tenths(self) -> i64 {
        self.0
    }

    /// Hours, for arithmetic that ends on a screen.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "meters stay far below 2^53 tenths")]
    pub fn hours(self) -> f64 {
        self.0 as f64 / 10.0
    }

    /// The sum, held at the ends of the integer range.
    #[must_use]
    pub const fn plus(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }

    /// The difference, held at the ends of the integer range.
    #[must_use]
    pub const fn minus(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}

impl fmt::Display for Hours {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.0 < 0 { "-" } else { "" };
        let magnitude = self.0.unsigned_abs();
        write!(f, "{sign}{}.{}", magnitude / 10, magnitude % 10)
    }
}

impl FromStr for Hours {
    type Err = HoursError;
    fn from_str(text: &str) -> Result<Self, HoursError> {
        let wrong = || HoursError { given: text.to_owned() };
        let trimmed = text.trim();
        let trimmed = trimmed.strip_suffix('h').unwrap_or(trimmed).trim();
        let (whole, fraction) = trimmed.split_once(['.', ',']).unwrap_or((trimmed, "0"));
        let digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
        if !digits(whole) || !digits(fraction) || whole.len() > 6 || fraction.len() > 1 {
            return Err(wrong());
        }
        let whole: i64 = whole.parse().map_err(|_| wrong())?;
        let tenth: i64 = fraction.parse().map_err(|_| wrong())?;
        Ok(Self(whole * 10 + tenth))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_and_shows() {
        assert_eq!("1523.4".parse::<Hours>().unwrap(), Hours::from_tenths(15_234));
        assert_eq!("1523".parse::<Hours>().unwrap().to_string(), "1523.0");
        assert_eq!("12,5 h".parse::<Hours>().unwrap().tenths(), 125);
        assert_eq!("999999.9".parse::<Hours>().unwrap(), Hours::MOST);
        assert_eq!([0, -5, 5, -15].map(|tenths| Hours::from_tenths(tenths).to_string()), ["0.0", "-0.5", "0.5", "-1.5"]);
        let (more, less) = (Hours::from_tenths(125), Hours::from_tenths(45));
        assert_eq!((more.plus(less).tenths(), more.minus(less).tenths(), more.hours()), (170, 80, 12.5));
        for bad in ["", "-4", "12.34", "a", "1.2.3", "12345678", "1000000", ".5", "5.", "1.a"] {
            assert!(bad.parse::<Hours>().is_err(), "{bad}");
        }
    }
}
