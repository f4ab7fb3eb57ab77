//! Kinds that keep the book itself: notes, photos by their hash, and the shop's receipts.

use serde::{Deserialize, Serialize};

use super::{Check, MOST_RECEIPTED, optional_text, text};
use crate::bytes::Bytes32;
use crate::ids::{DeviceId, PersonId, RecordId};

/// A remark.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Note {
    /// The remark.
    pub text: String,
    /// During which visit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub visit: Option<RecordId>,
}

/// A photo, by the hash of its bytes, which travel apart.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Photo {
    /// SHA-256 of the bytes.
    pub sha256: Bytes32,
    /// How many bytes.
    pub size_bytes: u64,
    /// Media type (RFC 6838), as in image/jpeg.
    pub media_type: String,
    /// What it shows.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub caption: String,
    /// During which visit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub visit: Option<RecordId>,
}

/// A record that a receipt is for. An id alone would name whatever anybody signs under it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Receipted {
    /// Its id.
    pub record: RecordId,
    /// SHA-256 of its signed bytes, as they came.
    pub sha256: Bytes32,
}

/// The shop's receipt: these records of the receipt's own document reached the book.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Arrival {
    /// Which records, each by its id and its bytes.
    pub records: Vec<Receipted>,
    /// Shop time of arrival, ms since 1970 UTC.
    pub at: i64,
    /// Shop time minus the bringing device's time, measured then, in ms.
    pub skew_ms: i64,
    /// How far off that may be, in ms.
    pub uncertainty_ms: i64,
    /// The device that brought them, which need not have written them.
    pub brought_by: DeviceId,
    /// Position in the shop's log from which on these records stand there.
    pub position: u64,
    /// The office person who let them in from quarantine.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub released_by: Option<PersonId>,
}

impl Check for Note {
    fn check(&self) -> Result<(), String> {
        text("note", &self.text)
    }
}

impl Check for Photo {
    fn check(&self) -> Result<(), String> {
        text("media type", &self.media_type)?;
        optional_text("caption", &self.caption)
    }
}

impl Check for Arrival {
    fn check(&self) -> Result<(), String> {
        const YEARS_MS: i64 = 100 * 366 * 86_400_000;
        if self.records.is_empty() || self.records.len() > MOST_RECEIPTED {
            return Err(format!("an arrival names 1 to {MOST_RECEIPTED} records"));
        }
        if self.at < 0 || self.skew_ms.unsigned_abs() > YEARS_MS.unsigned_abs() || !(0..=YEARS_MS).contains(&self.uncertainty_ms) {
            return Err("an arrival's times lie within a century".to_owned());
        }
        Ok(())
    }
}
