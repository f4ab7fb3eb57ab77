//! One number as typed, with or without a unit, and the length that it means.

use super::Read;
use crate::length::{Decimal, Length, LengthError, LengthUnit};

/// A unit that is written with a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Written {
    Thou,
    Inch,
    Mm,
    Um,
}

/// The spellings of units, longer ones before those that they end with.
const SUFFIXES: [(&str, Written); 11] = [
    ("thou", Written::Thou),
    ("mm", Written::Mm),
    ("um", Written::Um),
    ("µm", Written::Um),
    ("μm", Written::Um),
    ("inches", Written::Inch),
    ("inch", Written::Inch),
    ("in.", Written::Inch),
    ("in", Written::Inch),
    ("\"", Written::Inch),
    ("″", Written::Inch),
];

/// A number under this many thou, bare, is inches or refused.
const LEAST_BARE_THOU: i64 = 254;
/// Half a thou.
const HALF_THOU: i64 = 127;
/// A bare number under 0.03 mm could be inches as well: no common metric leaf is thinner, and every inch leaf is marked so.
const LEAST_BARE_MM: i64 = 300;

/// A number as typed.
#[derive(Debug, Clone)]
pub(super) struct Spelt<'t> {
    /// The whole text.
    given: &'t str,
    /// Its digits, without sign or unit.
    digits: String,
    number: Decimal,
    /// The unit, where one is written.
    pub(super) unit: Option<Written>,
    /// A fraction without a unit: it is inches, and the answer says so.
    bare_fraction: bool,
}

impl Written {
    /// Whether it is millimetres or micrometres.
    pub(super) const fn is_metric(self) -> bool {
        matches!(self, Self::Mm | Self::Um)
    }

    const fn tenth_um(self) -> i64 {
        match self {
            Self::Thou => 254,
            Self::Inch => 254_000,
            Self::Mm => 10_000,
            Self::Um => 10,
        }
    }
}

/// A text as a number and its unit.
pub(super) fn spelt(text: &str) -> Result<Spelt<'_>, LengthError> {
    let lower = text.trim().to_lowercase();
    let found = SUFFIXES.iter().find_map(|(suffix, unit)| lower.strip_suffix(suffix).map(|number| (number.trim_end(), *unit)));
    let (number, unit) = found.map_or((lower.as_str(), None), |(number, unit)| (number, Some(unit)));
    let fraction = fraction(number).filter(|_| unit.is_none_or(|unit| unit == Written::Inch));
    let (number, bare_fraction) = fraction.as_deref().map_or((number, false), |digits| (digits, unit.is_none()));
    let unit = if bare_fraction { Some(Written::Inch) } else { unit };
    let decimal = Decimal::read(number).ok_or_else(|| LengthError::Unreadable { given: text.to_owned() })?;
    Ok(Spelt { given: text, digits: number.trim_start_matches('-').replace(',', "."), number: decimal, unit, bare_fraction })
}

/// A fraction as rules are marked, `1/4` or `1 1/4`, as the same number with a point; `None` where it is none.
fn fraction(text: &str) -> Option<String> {
    let (above, below) = text.split_once('/')?;
    let (whole, above) = above.trim().rsplit_once([' ', '-']).unwrap_or(("0", above.trim()));
    let [whole, above, below] = [whole, above, below].map(|part| {
        let part = part.trim();
        part.parse::<u32>().ok().filter(|_| part.len() < 4 && part.bytes().all(|b| b.is_ascii_digit()))
    });
    let (whole, above, below) = (whole?, above?, below.filter(|below| [2, 4, 8, 16, 32, 64].contains(below))?);
    // A sixty-fourth has six decimals.
    let millionths = (above < below).then_some(above * (1_000_000 / 64) * (64 / below))?;
    Some(format!("{whole}.{millionths:06}").trim_end_matches('0').to_owned())
}

impl Spelt<'_> {
    /// The same number, in this unit where none is written.
    pub(super) fn or_in(self, unit: Option<Written>) -> Self {
        Self { unit: self.unit.or(unit), ..self }
    }

    /// The length that is meant.
    pub(super) fn read(&self, unit: LengthUnit) -> Result<Read, LengthError> {
        if let Some(written) = self.unit {
            let inches = self.bare_fraction.then(|| format!("{} in.", self.digits));
            return Ok(Read { length: self.as_length(written)?, inches });
        }
        let own = match unit {
            LengthUnit::Thou => Written::Thou,
            LengthUnit::Inch => Written::Inch,
            LengthUnit::Mm => Written::Mm,
        };
        let length = self.as_length(own)?;
        let size = length.tenth_um().abs();
        let (whole, fraction) = self.digits.split_once('.').unwrap_or((&self.digits, ""));
        if whole.len() > 1 && whole.starts_with('0') {
            return Err(self.either(own));
        }
        match own {
            Written::Thou if self.is_nought() => Ok(Read { length, inches: None }),
            Written::Thou if size < LEAST_BARE_THOU => {
                if size < HALF_THOU && (whole.is_empty() || fraction.starts_with('0')) {
                    let sign = if length < Length::ZERO { "-" } else { "" };
                    return Ok(Read { length: self.as_length(Written::Inch)?, inches: Some(format!("{sign}0.{fraction} in.")) });
                }
                Err(self.either(own))
            }
            Written::Mm if !self.is_nought() && size < LEAST_BARE_MM => Err(self.either(own)),
            _ => Ok(Read { length, inches: None }),
        }
    }

    /// The number in each unit in which people write, in words.
    pub(super) fn in_each_unit(&self) -> Vec<(Length, String)> {
        let digits = if self.digits.starts_with('.') { format!("0{}", self.digits) } else { self.digits.clone() };
        let units = [(Written::Thou, "thou"), (Written::Inch, "in."), (Written::Mm, "mm")];
        units.into_iter().filter_map(|(unit, name)| Some((self.as_length(unit).ok()?, format!("{digits} {name}")))).collect()
    }

    fn is_nought(&self) -> bool {
        self.digits.bytes().all(|b| b == b'0' || b == b'.')
    }

    fn as_length(&self, unit: Written) -> Result<Length, LengthError> {
        let over = || LengthError::OutOfRange { given: self.given.to_owned() };
        let tenth_um = self.number.times(unit.tenth_um()).ok_or_else(over)?;
        if tenth_um.abs() > 10_000_000 { Err(over()) } else { Ok(Length::from_tenth_um(tenth_um)) }
    }

    /// A number that could be read in two ways, with each of them named.
    fn either(&self, own: Written) -> LengthError {
        let digits = self.digits.trim_start_matches('0');
        let noughts = !digits.starts_with('.') && !self.digits.contains('.');
        let mut readings: Vec<String> = Vec::new();
        let bare = if digits.starts_with('.') { format!("0{digits}") } else { digits.to_owned() };
        readings.push(format!("{bare} {}", if own == Written::Thou { "thou" } else { "mm" }));
        // A point that was left out stands before the noughts.
        readings.push(format!("{} in.", if noughts { format!("0.{}", self.digits) } else { bare.clone() }));
        if own == Written::Thou && !noughts {
            readings.push(format!("{bare} mm"));
        }
        let last = readings.pop().unwrap_or_default();
        LengthError::Ambiguous { given: self.given.trim().to_owned(), readings: format!("{} or {last}", readings.join(", ")) }
    }
}

/// A decimal number with at most so many decimals, in units of the last of them.
pub fn decimal(text: &str, places: usize) -> Option<i32> {
    let text = text.trim();
    let (negative, digits) = text.strip_prefix('-').map_or((false, text), |rest| (true, rest));
    let (whole, fraction) = digits.split_once(['.', ',']).unwrap_or((digits, ""));
    let all_digits = |text: &str| text.bytes().all(|b| b.is_ascii_digit());
    if whole.is_empty() || whole.len() > 4 || fraction.len() > places || !all_digits(whole) || !all_digits(fraction) {
        return None;
    }
    let number: i32 = format!("{whole}{fraction:0<places$}").parse().ok()?;
    Some(if negative { -number } else { number })
}
