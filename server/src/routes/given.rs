//! What stands in a request's query, as quantities. What is misspelt is refused: it must not pass for something else.

use std::fmt::Display;
use std::str::FromStr;

use axum::extract::{FromRequestParts, Path, Query};
use axum::http::request::Parts;
use jiff::civil::Date;
use serde::de::DeserializeOwned;
use shared::entry;
use shared::leaf::LeafSet;
use shared::length::{Length, LengthUnit};
use shared::problem::Code;
use shared::sensible::{Sensible, WARMER};
use shared::thermal::Material;
use shared::usage::{Between, Season};

use crate::problem_response::ApiError;

/// A query whose every name is known and whose every value is of its type.
#[derive(Debug)]
pub(crate) struct Given<T>(pub(super) T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequestParts<S> for Given<T> {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, ApiError> {
        let Query(query) = Query::from_request_parts(parts, state).await?;
        Ok(Self(query))
    }
}

/// The unit of lengths, in what is given and in what is answered.
pub(super) fn unit(text: Option<&str>) -> Result<LengthUnit, ApiError> {
    let Some(text) = text else { return Ok(LengthUnit::Thou) };
    // Exactly as it is named: this is no person typing.
    let named = LengthUnit::ALL.into_iter().find(|unit| unit.name() == text);
    named.ok_or_else(|| ApiError::unreadable("A unit is thou, in or mm: write ?unit=thou, ?unit=in or ?unit=mm"))
}

/// The id in a path; a text that is none names nothing.
pub(super) fn id<T: FromStr>(Path(text): Path<String>) -> Result<T, ApiError> {
    text.parse().map_err(|_| ApiError::new(Code::NotFound, "What the address names is not an id. Ask by the id of something in a list."))
}

/// A day as year, month and day alone: a time with it would be a mistake about what is asked.
pub(crate) fn day(text: &str) -> Result<Date, ApiError> {
    let plain = text.len() == 10 && text.bytes().all(|b| b.is_ascii_digit() || b == b'-');
    let day = plain.then(|| text.parse().ok()).flatten();
    day.ok_or_else(|| ApiError::unreadable("A day is written as year-month-day: write ?day=2026-05-04"))
}

/// What reads itself from a text, as a valve or a stage.
pub(super) fn read<T: FromStr<Err: Display>>(text: &str) -> Result<T, ApiError> {
    text.parse().map_err(|error: T::Err| ApiError::unreadable(&error.to_string()))
}

/// The lengths of one request, and what of them was taken for inches: the answer says so.
#[derive(Debug)]
pub(super) struct Lengths {
    unit: LengthUnit,
    inches: Vec<String>,
}

impl Lengths {
    /// For lengths whose bare numbers are in `unit`.
    pub(super) const fn bare_in(unit: LengthUnit) -> Self {
        Self { unit, inches: Vec::new() }
    }

    /// A length of one kind.
    pub(super) fn length(&mut self, text: &str, of: &Sensible<Length>) -> Result<Length, ApiError> {
        let read = entry::length(text, self.unit, of).map_err(|error| ApiError::unreadable(&error.to_string()))?;
        self.inches.extend(read.note());
        Ok(read.length)
    }

    /// A length for arithmetic on tenths of a µm.
    #[expect(clippy::cast_precision_loss, reason = "what is read is at most 1e7 tenths")]
    pub(super) fn tenth_um(&mut self, text: &str, of: &Sensible<Length>) -> Result<f64, ApiError> {
        self.length(text, of).map(|length| length.tenth_um() as f64)
    }

    /// Leaves, as in 2,3,4 or 2-12.
    pub(super) fn leaves(&mut self, text: &str) -> Result<LeafSet, ApiError> {
        let (set, notes) = LeafSet::parse_noted(text, self.unit).map_err(|error| ApiError::unreadable(&error.in_unit(self.unit)))?;
        self.inches.extend(notes);
        Ok(set)
    }

    /// What was taken for inches, as a sentence of the answer.
    pub(super) fn words(&self) -> Option<String> {
        entry::notes_words(&self.inches)
    }
}

/// An angle in degrees.
pub(super) fn degrees(text: &str) -> Result<f64, ApiError> {
    entry::degrees(text).map_err(|error| ApiError::unreadable(&error.to_string()))
}

/// How much warmer than cold, in degrees Celsius, in tenths.
pub(super) fn warmer_tenth_c(text: &str) -> Result<i32, ApiError> {
    entry::tenth_c(text, &WARMER).map_err(|error| ApiError::unreadable(&error.to_string()))
}

/// A rocker ratio in thousandths.
pub(super) fn ratio_milli(text: &str) -> Result<u32, ApiError> {
    entry::ratio_milli(text).map_err(|error| ApiError::unreadable(&error.to_string()))
}

/// A material's name, or its coefficient in 1e-6 per K with where it was read.
pub(super) fn material(text: &str) -> Result<Material, ApiError> {
    text.parse::<Material>().map_err(|error| ApiError::unreadable(&error.to_string()))
}

/// The first and last day of a season and how far back readings count; as usual where nothing is given.
pub(super) fn season(days: Option<u32>, between: Option<&str>) -> Result<Season, ApiError> {
    let trailing_days = days.unwrap_or(Season::default().trailing_days);
    let season = Season { trailing_days, between: between.map(read::<Between>).transpose()? };
    season.check().map_err(|error| ApiError::unreadable(&error.to_string()))?;
    Ok(season)
}

#[cfg(test)]
mod tests {
    use shared::usage::MonthDay;

    use super::*;

    #[test]
    fn angles() {
        assert_eq!([degrees("-12.5").unwrap(), degrees("720").unwrap()], [-12.5, 720.0]);
        for bad in ["", "steep", "nan", "inf", "1e300", "-inf"] {
            assert!(degrees(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn seasons() {
        let end = |month, day| MonthDay { month, day };
        let summer = season(None, Some("03-01..10-31")).unwrap();
        assert_eq!(summer, Season { trailing_days: 365, between: Some(Between { from: end(3, 1), to: end(10, 31) }) });
        assert_eq!(season(Some(90), None).unwrap().trailing_days, 90);
        for bad in
            ["", "3-1", "3-1..", "3..13", "3-1..10-400", "+3-1..10-31", "02-30..10-31", "13-01..14-01", "-1-1..2-2", "3-1..10-31..11-1"]
        {
            assert!(season(None, Some(bad)).is_err(), "{bad}");
        }
        for bad in [0, 3654, u32::MAX] {
            assert!(season(Some(bad), None).is_err(), "{bad}");
        }
    }
}
