//! The closing of a day: what the office knew that evening, and over which state of the book.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::{Check, optional_text};
use crate::bytes::Bytes32;
use crate::ids::{DocId, RecordId};

/// The most documents that one part of a closing covers. With one head each a part stays well below
/// [`super::LARGEST_RECORD`].
pub const MOST_COVERED: usize = 500;
/// The most heads in one part of a closing.
pub const MOST_HEADS: usize = 800;
/// The most parts of a closing: a shop of over 30,000 documents still closes its first day.
pub const MOST_PARTS: u32 = 64;

/// How much of everything there was when a day was closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct DayCounts {
    /// Records that came in on the day.
    pub records: u32,
    /// Of them, clearance readings.
    pub readings: u32,
    /// Visits of the day.
    pub visits: u32,
    /// Slots contested.
    pub contested: u32,
    /// Records in doubt or only proposed.
    pub aside: u32,
    /// Machines on hold.
    pub holds: u32,
    /// Slots to be measured again.
    pub recheck: u32,
    /// Visits that nobody had finished.
    pub unfinished: u32,
    /// Records waiting in quarantine.
    pub quarantined: u32,
}

/// A document as it was.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Covered {
    /// Which.
    pub doc: DocId,
    /// Its heads then.
    pub heads: Vec<Bytes32>,
}

/// A day closed by the office. One statement, in as many parts as its list of documents needs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DayClosed {
    /// The day, in the shop's zone.
    pub day: Date,
    /// What there was.
    pub counts: DayCounts,
    /// Why something was left open; empty where nothing was.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub left_open: String,
    /// Position in the log of the book that closed: the same in all parts of one closing.
    pub position: u64,
    /// This part, from 1.
    pub part: u32,
    /// How many parts there are.
    pub parts: u32,
    /// The first part of the closing before: documents not named here are as that one, or those before it, say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub since: Option<RecordId>,
    /// The documents that moved since, with their heads.
    pub covers: Vec<Covered>,
}

impl Check for DayClosed {
    fn check(&self) -> Result<(), String> {
        optional_text("reason for what is left open", &self.left_open)?;
        if !(1..=MOST_PARTS).contains(&self.parts) || !(1..=self.parts).contains(&self.part) {
            return Err(format!("a closing has 1 to {MOST_PARTS} parts, and is one of them"));
        }
        let heads: usize = self.covers.iter().map(|covered| covered.heads.len()).sum();
        if self.covers.len() > MOST_COVERED || heads > MOST_HEADS {
            return Err(format!("one part of a closing covers at most {MOST_COVERED} documents with {MOST_HEADS} heads"));
        }
        if !self.covers.is_sorted_by(|a, b| a.doc < b.doc) {
            return Err("a closing names each document once, in the order of their ids".to_owned());
        }
        Ok(())
    }
}
