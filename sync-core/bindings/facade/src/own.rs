//! What the person of this device has chosen: the unit, the leaves, and what a front end wants remembered.

use serde::Serialize;
use serde_json::Value;
use shared::entry::{any_length, notes_words};
use shared::leaf::LeafSet;
use shared::length::{Length, LengthUnit};
use sync_core::engine::BookError;
use sync_core::store::{LEAVES, MetaKey, UNIT};

use crate::Kit;
use crate::error::KitError;

/// What front ends keep goes under names of its own, which nothing of the book has.
const FRONT: &str = "front/";
/// The longest value that a front end may have remembered, in bytes.
const LONGEST: usize = 64 * 1024;

/// The leaves that a person has.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Leaves {
    /// The person entered them; else a plain set of the unit is taken for granted.
    pub own: bool,
    /// The leaves.
    pub set: LeafSet,
    /// Each in words, without its unit, thinnest first.
    pub words: Vec<String>,
    /// The unit of the words.
    pub unit: LengthUnit,
    /// What of the entry was taken for inches, in a sentence: "Read as inches: 0.005 in., 5 thou."
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inches: Option<String>,
}

/// A length as it was understood.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LengthRead {
    /// The length.
    #[serde(rename = "tenth_um")]
    pub length: Length,
    /// That it was taken for inches, in a sentence: "Read as inches: 0.005 in., 5 thou." Say it beside the entry.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inches: Option<String>,
}

/// What a front end remembers under a name of its own.
fn front<T>(name: &str) -> MetaKey<T> {
    MetaKey::under(FRONT, name)
}

impl Kit {
    /// The unit in which lengths are said.
    ///
    /// # Errors
    /// [`KitError`] where the store fails.
    pub fn unit(&self) -> Result<LengthUnit, KitError> {
        Ok(self.book.store().meta(&UNIT)?.unwrap_or_default())
    }

    /// Says lengths in this unit from now on.
    ///
    /// # Errors
    /// [`KitError`] where the store fails.
    pub fn set_unit(&mut self, unit: LengthUnit) -> Result<(), KitError> {
        Ok(self.book.store().set_meta(&UNIT, &unit)?)
    }

    /// The leaves that the person has: they decide what is offered to be tried next.
    ///
    /// # Errors
    /// [`KitError`] where the store fails.
    pub fn leaves(&self) -> Result<Leaves, KitError> {
        let unit = self.unit()?;
        let own: Option<LeafSet> = self.book.store().meta(&LEAVES)?;
        let plain = match unit {
            LengthUnit::Thou | LengthUnit::Inch => LeafSet::inch(),
            LengthUnit::Mm => LeafSet::metric(),
        };
        let (own, set) = (own.is_some(), own.unwrap_or(plain));
        Ok(Leaves { own, inches: None, words: set.leaves().iter().map(|leaf| leaf.show_bare(unit)).collect(), set, unit })
    }

    /// Keeps the person's leaves, as in `2-12`, `1.5,2,2.5,3` or `0.05mm-0.10mm`; an empty text goes back to the plain set.
    ///
    /// # Errors
    /// [`KitError`] with the code `entry-invalid` where the text names no leaves.
    pub fn set_leaves(&mut self, text: &str) -> Result<Leaves, KitError> {
        if text.trim().is_empty() {
            self.book.store().clear_meta(&LEAVES)?;
        } else {
            let unit = self.unit()?;
            let (set, inches) = LeafSet::parse_noted(text, unit).map_err(|e| BookError::Entry(e.in_unit(unit)))?;
            self.book.store().set_meta(&LEAVES, &set)?;
            return Ok(Leaves { inches: notes_words(&inches), ..self.leaves()? });
        }
        self.leaves()
    }

    /// Reads a length as a person writes it: a bare number is in the person's unit or, where it is written so, in inches. What could
    /// be either is refused; what was taken for inches says so.
    ///
    /// # Errors
    /// [`KitError::Given`] where it is none.
    pub fn read_length(&self, text: &str) -> Result<LengthRead, KitError> {
        let read = any_length(text, self.unit()?).map_err(|e| KitError::Given(e.to_string()))?;
        Ok(LengthRead { length: read.length, inches: notes_words(&Vec::from_iter(read.note())) })
    }

    /// A length in words, in the person's unit.
    ///
    /// # Errors
    /// [`KitError`] where the store fails.
    pub fn show_length(&self, length: Length) -> Result<String, KitError> {
        Ok(length.show(self.unit()?))
    }

    /// What a front end had remembered under a name: an answer half given, where a screen was. No record, and never sent.
    ///
    /// # Errors
    /// [`KitError`] where the store fails.
    pub fn remembered(&self, name: &str) -> Result<Option<Value>, KitError> {
        Ok(self.book.store().meta(&front(name))?)
    }

    /// Remembers a value under a name, or forgets it where there is none.
    ///
    /// # Errors
    /// [`KitError::Given`] where it is over 64 KiB; the store.
    pub fn remember(&mut self, name: &str, value: Option<&Value>) -> Result<(), KitError> {
        let name = front(name);
        match value {
            Some(value) if value.to_string().len() + name.name().len() > LONGEST => {
                Err(KitError::Given("this is more than a front end may have remembered".to_owned()))
            }
            Some(value) => Ok(self.book.store().set_meta(&name, value)?),
            None => Ok(self.book.store().clear_meta(&name)?),
        }
    }
}
