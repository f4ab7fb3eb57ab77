//! A valve: cylinder number and side, written `1I`, `1E`, `2I`, `2E`.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

/// The most cylinders an engine of this trade is taken to have.
pub const MOST_CYLINDERS: u8 = 4;

/// Intake or exhaust.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Side {
    /// Lets the charge in.
    Intake,
    /// Lets the burnt gas out; runs hotter.
    Exhaust,
}

/// One valve of an engine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Valve {
    cylinder: u8,
    side: Side,
}

/// A text that names no valve.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{given}\" is not a valve: write the cylinder number and I or E, as in 1I, 1E, 2I, 2E")]
pub struct ValveError {
    /// What was given.
    pub given: String,
}

impl Valve {
    /// The valve of a cylinder (from 1 to [`MOST_CYLINDERS`]) and side; `None` outside that domain.
    #[must_use]
    pub const fn new(cylinder: u8, side: Side) -> Option<Self> {
        if cylinder == 0 || cylinder > MOST_CYLINDERS { None } else { Some(Self { cylinder, side }) }
    }

    /// The cylinder number, from 1.
    #[must_use]
    pub const fn cylinder(self) -> u8 {
        self.cylinder
    }

    /// Intake or exhaust.
    #[must_use]
    pub const fn side(self) -> Side {
        self.side
    }

    /// All valves of an engine with so many cylinders, in the order in which they are checked.
    #[must_use]
    pub fn all(cylinders: u8) -> Vec<Self> {
        (1..=cylinders.min(MOST_CYLINDERS)).flat_map(|cylinder| [Side::Intake, Side::Exhaust].map(|side| Self { cylinder, side })).collect()
    }

    /// The valve in words, as in "cylinder 1 intake".
    #[must_use]
    pub fn words(self) -> String {
        format!(
            "cylinder {} {}",
            self.cylinder,
            match self.side {
                Side::Intake => "intake",
                Side::Exhaust => "exhaust",
            }
        )
    }
}

impl fmt::Display for Valve {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{}{}",
            self.cylinder,
            match self.side {
                Side::Intake => 'I',
                Side::Exhaust => 'E',
            }
        )
    }
}

impl FromStr for Valve {
    type Err = ValveError;
    fn from_str(text: &str) -> Result<Self, ValveError> {
        let wrong = || ValveError { given: text.to_owned() };
        let mut characters = text.trim().chars();
        let (Some(digit), Some(letter), None) = (characters.next(), characters.next(), characters.next()) else {
            return Err(wrong());
        };
        let cylinder = digit.to_digit(10).and_then(|d| u8::try_from(d).ok()).ok_or_else(wrong)?;
        let side = match letter.to_ascii_uppercase() {
            'I' => Side::Intake,
            'E' => Side::Exhaust,
            _ => return Err(wrong()),
        };
        Self::new(cylinder, side).ok_or_else(wrong)
    }
}

#[cfg(feature = "schema")]
impl utoipa::PartialSchema for Valve {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        let text = utoipa::openapi::ObjectBuilder::new().schema_type(utoipa::openapi::schema::Type::String);
        text.pattern(Some("^[1-4][IE]$")).description(Some("A valve: cylinder number, and I for intake or E for exhaust.")).into()
    }
}

#[cfg(feature = "schema")]
impl utoipa::ToSchema for Valve {}

impl Serialize for Valve {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Valve {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_and_shows() {
        let names: Vec<String> = Valve::all(2).iter().map(ToString::to_string).collect();
        assert_eq!(names, ["1I", "1E", "2I", "2E"]);
        assert_eq!(" 2e ".parse::<Valve>().unwrap().words(), "cylinder 2 exhaust");
        for bad in ["", "I1", "0I", "5E", "1X", "1IE", "१I"] {
            assert!(bad.parse::<Valve>().is_err(), "{bad}");
        }
    }
}
