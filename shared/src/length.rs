//! Lengths: whole tenths of a micrometre inside, thou or millimetres for people.
//!
//! 1 in = 25.4 mm exactly (international inch), so 1 thou = 25.4 µm = 254 tenths and half a thou = 127 tenths:
//! every leaf of an inch or a metric set is a whole number here, and no comparison ever rounds.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// Tenths of a micrometre in one thou (0.001 in).
pub const TENTH_UM_PER_THOU: i64 = 254;
/// Tenths of a micrometre in one millimetre.
pub const TENTH_UM_PER_MM: i64 = 10_000;

/// A length, in whole tenths of a micrometre.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, Default)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(transparent)]
pub struct Length(i64);

/// The unit in which a person reads and writes lengths.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, Default)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum LengthUnit {
    /// Thousandths of an inch.
    #[default]
    Thou,
    /// Inches, written as .005.
    #[serde(rename = "in")]
    Inch,
    /// Millimetres.
    Mm,
}

/// A text that is not a length, or one too large to be any clearance.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LengthError {
    /// Not a decimal number with a known unit.
    #[error("\"{given}\" is not a length: write 5 (in your own unit), 5thou, 0.005in, 0.13mm or 130um")]
    Unreadable {
        /// What was given.
        given: String,
    },
    /// A bare number that could be read in two ways.
    #[error("\"{given}\" can be {readings}: write its unit, as in 5thou, 0.005in or 0.13mm")]
    Ambiguous {
        /// What was given.
        given: String,
        /// What it can be, as in "0.15 thou, 0.15 in. or 0.15 mm".
        readings: String,
    },
    /// Beyond ±1 m, which no part of this work reaches.
    #[error("\"{given}\" is over a metre: check the unit and the decimal point")]
    OutOfRange {
        /// What was given.
        given: String,
    },
}

impl Length {
    /// Zero.
    pub const ZERO: Self = Self(0);

    /// From whole tenths of a micrometre.
    #[must_use]
    pub const fn from_tenth_um(tenth_um: i64) -> Self {
        Self(tenth_um)
    }

    /// From whole thousandths of an inch. Exact.
    #[must_use]
    pub const fn from_thou(thou: i64) -> Self {
        Self(thou.saturating_mul(TENTH_UM_PER_THOU))
    }

    /// Whole tenths of a micrometre.
    #[must_use]
    pub const fn tenth_um(self) -> i64 {
        self.0
    }

    /// Thousandths of an inch, for arithmetic that ends on a screen.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "lengths are below 2^53 tenths")]
    pub fn thou(self) -> f64 {
        self.0 as f64 / 254.0
    }

    /// Millimetres, for arithmetic that ends on a screen.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "lengths are below 2^53 tenths")]
    pub fn mm(self) -> f64 {
        self.0 as f64 / 10_000.0
    }

    /// The sum, held at the ends of the integer range instead of wrapping.
    #[must_use]
    pub const fn plus(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }

    /// The difference, held at the ends of the integer range instead of wrapping.
    #[must_use]
    pub const fn minus(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }

    /// The length in a unit, with as many decimals as it takes to read the same length back and no more.
    #[must_use]
    pub fn show(self, unit: LengthUnit) -> String {
        format!("{} {unit}", self.show_bare(unit))
    }

    /// As [`Length::show`], for what is no gap but a way, as a piston's: in inches where gaps are in thou, since nobody says 250 thou.
    #[must_use]
    pub fn show_way(self, unit: LengthUnit) -> String {
        self.show(if unit == LengthUnit::Thou { LengthUnit::Inch } else { unit })
    }

    /// As [`Length::show`], without the unit.
    #[must_use]
    pub fn show_bare(self, unit: LengthUnit) -> String {
        match unit {
            LengthUnit::Thou => decimals(self.0, 254, 0, 4),
            LengthUnit::Inch => without_nought(decimals(self.0, 254_000, 3, 6)),
            LengthUnit::Mm => decimals(self.0, 10_000, 2, 4),
        }
    }
}

impl LengthUnit {
    /// A length that was worked out, without its unit and only as finely as it means anything: with so many decimals in thou, two more
    /// in mm, three more in inches.
    #[must_use]
    pub fn worked_out(self, tenth_um: f64, places: usize) -> String {
        match self {
            Self::Thou => format!("{:.places$}", tenth_um / 254.0),
            Self::Inch => without_nought(format!("{:.1$}", tenth_um / 254_000.0, places + 3)),
            Self::Mm => format!("{:.1$}", tenth_um / 10_000.0, places + 2),
        }
    }

    /// Every unit.
    pub const ALL: [Self; 3] = [Self::Thou, Self::Inch, Self::Mm];

    /// The unit's short name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Thou => "thou",
            Self::Inch => "in",
            Self::Mm => "mm",
        }
    }
}

impl FromStr for LengthUnit {
    type Err = LengthError;
    fn from_str(text: &str) -> Result<Self, LengthError> {
        match text.trim().to_ascii_lowercase().as_str() {
            "thou" => Ok(Self::Thou),
            "in" => Ok(Self::Inch),
            "mm" => Ok(Self::Mm),
            _ => Err(LengthError::Unreadable { given: text.to_owned() }),
        }
    }
}

impl fmt::Display for LengthUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A decimal number as typed: digits and how many of them stand after the point.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Decimal {
    digits: i64,
    places: u32,
}

impl Decimal {
    /// The number of a text; `None` where it is none.
    pub(crate) fn read(text: &str) -> Option<Self> {
        let (negative, text) = match text.strip_prefix('-') {
            Some(rest) => (true, rest),
            None => (false, text),
        };
        let (whole, fraction) = text.split_once(['.', ',']).unwrap_or((text, ""));
        let all_digits = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
        // No digits at all are no number to `parse` below.
        if whole.len() > 9 || fraction.len() > 9 || !all_digits(whole) || !all_digits(fraction) {
            return None;
        }
        let digits: i64 = format!("{whole}{fraction}").parse().ok()?;
        let places = u32::try_from(fraction.len()).ok()?;
        Some(Self { digits: if negative { -digits } else { digits }, places })
    }

    /// The number times a whole factor, rounded half away from zero.
    pub(crate) fn times(&self, factor: i64) -> Option<i64> {
        let scale = 10i128.pow(self.places);
        let product = i128::from(self.digits) * i128::from(factor);
        let half = if product < 0 { -scale / 2 } else { scale / 2 };
        i64::try_from((product + half) / scale).ok()
    }
}

/// Inches as the trade writes them: .005, not 0.005.
fn without_nought(text: String) -> String {
    match text.strip_prefix('-') {
        Some(size) => size.strip_prefix("0.").map_or_else(|| text.clone(), |rest| format!("-.{rest}")),
        None => text.strip_prefix("0.").map_or_else(|| text.clone(), |rest| format!(".{rest}")),
    }
}

/// `value / per_unit` with the fewest decimals (at least `least`, at most `most`) that read back as `value`.
fn decimals(value: i64, per_unit: i64, least: u32, most: u32) -> String {
    for places in least..=most {
        let scale = 10i128.pow(places);
        let product = i128::from(value) * scale;
        let half = i128::from(if value < 0 { -per_unit / 2 } else { per_unit / 2 });
        let Ok(digits) = i64::try_from((product + half) / i128::from(per_unit)) else { continue };
        let back = Decimal { digits, places }.times(per_unit);
        if back == Some(value) || places == most {
            let sign = if digits < 0 { "-" } else { "" };
            let magnitude = digits.unsigned_abs();
            let scale = 10u64.pow(places);
            return match places {
                0 => format!("{sign}{magnitude}"),
                _ => format!("{sign}{}.{:0width$}", magnitude / scale, magnitude % scale, width = places as usize),
            };
        }
    }
    value.to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::entry::{EntryError, any_length};
    use proptest::prelude::*;

    fn read(text: &str, unit: LengthUnit) -> Result<Length, EntryError> {
        any_length(text, unit).map(|read| read.length)
    }

    /// Exact by definition: 1 in = 25.4 mm (international yard and pound agreement, 1959; read on public pages).
    #[test]
    fn thou_and_millimetres_are_exact() {
        for (text, tenth_um) in [
            ("0.0015in", 381),
            ("0.0075in", 1905),
            ("5thou", 1270),
            ("0.5thou", 127),
            ("0.10mm", 1000),
            ("127um", 1270),
            ("0.0175\"", 4445),
        ] {
            assert_eq!(read(text, LengthUnit::Thou).unwrap().tenth_um(), tenth_um, "{text}");
        }
        assert_eq!(read("0,13", LengthUnit::Mm).unwrap().tenth_um(), 1300);
    }

    #[test]
    fn shows_no_more_than_needed() {
        assert_eq!(Length::from_thou(5).show(LengthUnit::Thou), "5 thou");
        assert_eq!(Length::from_tenth_um(127).show(LengthUnit::Thou), "0.5 thou");
        assert_eq!(Length::from_tenth_um(1000).show(LengthUnit::Mm), "0.10 mm");
        assert_eq!(Length::from_thou(5).show(LengthUnit::Mm), "0.127 mm");
        assert_eq!([1320, -1320].map(|t| Length::from_tenth_um(t).show(LengthUnit::Thou)), ["5.197 thou", "-5.197 thou"]);
    }

    /// 1270 tenths of a µm are 5 thou and 0.127 mm, by the definition above.
    #[test]
    fn numbers_and_names_of_the_units() {
        let five = Length::from_thou(5);
        assert_eq!((five.thou(), five.mm()), (5.0, 0.127));
        assert_eq!((five.show_bare(LengthUnit::Thou), five.show_bare(LengthUnit::Mm)), ("5".to_owned(), "0.127".to_owned()));
        assert_eq!(LengthUnit::ALL.map(LengthUnit::name), ["thou", "in", "mm"]);
        let inches = [5, -5, 250, 1250].map(|thou| Length::from_thou(thou).show(LengthUnit::Inch));
        assert_eq!(inches, [".005 in", "-.005 in", ".250 in", "1.250 in"]);
        assert_eq!(Length::from_thou(250).show_way(LengthUnit::Thou), ".250 in");
        assert_eq!(Length::from_thou(250).show_way(LengthUnit::Mm), "6.35 mm");
        assert_eq!(LengthUnit::ALL.map(|unit| unit.worked_out(127.0, 1)), ["0.5", ".0005", "0.013"]);
        assert_eq!(read(".005", LengthUnit::Inch).unwrap(), Length::from_thou(5));
        assert_eq!(format!("{} {}", LengthUnit::Thou, LengthUnit::Mm), "thou mm");
        assert_eq!((" Thou ".parse(), "mm".parse()), (Ok(LengthUnit::Thou), Ok(LengthUnit::Mm)));
        assert_eq!("inch".parse::<LengthUnit>(), Err(LengthError::Unreadable { given: "inch".to_owned() }));
        // Nine digits on either side of the point are read, zeros too, and no more; none at all are not.
        let thou = |text: &str| read(text, LengthUnit::Thou).ok();
        assert_eq!(
            ["000000005thou", "5.000000000", "000000005.000000000 thou", "5.", ".5thou"].map(thou),
            [Some(five), Some(five), Some(five), Some(five), Some(Length::from_tenth_um(127))]
        );
        assert_eq!(["0000000005", "5.0000000000", ".", "-", "-."].map(thou), [None; 5]);
        assert_eq!((Length::ZERO.show(LengthUnit::Thou), Length::ZERO.show(LengthUnit::Mm)), ("0 thou".to_owned(), "0.00 mm".to_owned()));
        // Half a tenth of a µm goes away from zero, less goes to it.
        let tenths = |text: &str| read(text, LengthUnit::Mm).map(Length::tenth_um).ok();
        assert_eq!(["0.00005mm", "-0.00005mm", "0.00004mm", "-0.00004mm", "0"].map(tenths), [Some(1), Some(-1), Some(0), Some(0), Some(0)]);
        // A metre is not over a metre.
        assert_eq!(read("1000mm", LengthUnit::Mm), Ok(Length::from_tenth_um(10_000_000)));
        assert!(read("1000.1um", LengthUnit::Mm).is_ok() && read("1000.0001mm", LengthUnit::Mm).is_err());
    }

    #[test]
    fn unreadable_is_said() {
        for bad in ["", "five", "1e3", "--2", "3 furlongs", "9999999999"] {
            assert!(read(bad, LengthUnit::Thou).is_err(), "{bad}");
        }
        assert_eq!(
            read("2000mm", LengthUnit::Mm).unwrap_err().to_string(),
            "\"2000mm\" is over a metre: check the unit and the decimal point"
        );
    }

    proptest! {
        #[test]
        fn what_is_shown_reads_back(tenth_um in -200_000i64..200_000, at in 0usize..3) {
            let unit = LengthUnit::ALL[at];
            let length = Length::from_tenth_um(tenth_um);
            prop_assert_eq!(read(&length.show(unit), LengthUnit::Thou).unwrap(), length);
        }

        #[test]
        fn no_text_panics(text in ".{0,24}") {
            let _ = read(&text, LengthUnit::Mm);
        }
    }
}
