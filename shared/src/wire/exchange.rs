//! The exchange: one request and its answer that bring a device and the shop level.
//!
//! A change never travels as Automerge's bytes. It travels as a [`Recipe`]: the receiver checks the facts, builds
//! the very same change itself and requires its hash to equal the one named.

use std::fmt;

use serde::de::{Error, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer, Serialize};

use crate::bytes::{Blob, Bytes16, Bytes32};
use crate::ids::{DocId, RecordId};
use crate::problem::Code;

use super::bounds::{MOST_RECORDS, SHORTEST_RECORD};
use super::short::ShortRecipe;

/// The protocol version spoken here.
pub const PROTOCOL: u32 = 1;

/// How to build one Automerge change that inserts signed records.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Recipe {
    /// The hash that the built change must have.
    pub hash: Bytes32,
    /// Automerge actor, fresh per opening of a database.
    pub actor: Bytes16,
    /// The actor's running number within the document, from 1.
    pub seq: u64,
    /// Counter of the first operation.
    pub start_op: u64,
    /// Hashes of the changes that it builds on; empty: the document's genesis.
    pub deps: Vec<Bytes32>,
    /// The change's time, ms since 1970 UTC.
    pub time: i64,
    /// The signed records that it inserts, in order: at most [`MOST_RECORDS`], none shorter than [`SHORTEST_RECORD`].
    #[serde(deserialize_with = "records")]
    pub records: Vec<Blob>,
}

/// Reads records, and stops at the first too many or too short: a body of a thousand bytes unpacks into millions of
/// empty ones, each of which would take room.
pub(super) fn records<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<Blob>, D::Error> {
    struct Records;
    impl<'de> Visitor<'de> for Records {
        type Value = Vec<Blob>;

        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            write!(f, "at most {MOST_RECORDS} records of at least {SHORTEST_RECORD} bytes")
        }

        fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Vec<Blob>, A::Error> {
            let mut records = Vec::new();
            while let Some(record) = seq.next_element::<Blob>()? {
                if records.len() == MOST_RECORDS {
                    return Err(A::Error::invalid_length(MOST_RECORDS + 1, &self));
                }
                if record.0.len() < SHORTEST_RECORD {
                    return Err(A::Error::invalid_length(record.0.len(), &self));
                }
                records.push(record);
            }
            Ok(records)
        }
    }
    deserializer.deserialize_seq(Records)
}

/// What a device says of one document.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DocOffer {
    /// Which document.
    pub id: DocId,
    /// Heads now.
    pub heads: Vec<Bytes32>,
    /// Changes that the shop is not known to hold.
    pub recipes: Vec<ShortRecipe>,
    /// The device lacks something that it was sent a change upon: send whatever `heads` do not cover.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub lacking: bool,
}

/// Where a device stands in the shop's log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Default)]
#[serde(deny_unknown_fields)]
pub struct Cursor {
    /// Everything up to this position has been handed out.
    pub position: u64,
    /// The incarnation (opening) of the shop's book in which the furthest position named here was written. A shop whose book was
    /// put back by hand has written that position again, or not yet, and so finds out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub incarnation: Option<Bytes16>,
    /// Message authentication code: the shop issued this cursor in its present epoch.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mac: Option<Bytes16>,
    /// Newly opened documents being handed out, where that takes more than one page.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bootstrap: Option<Bootstrap>,
    /// The last record of which this device heard that it waits in the shop's quarantine, which is no part of the log: a shop whose book
    /// was put back, and has it no more, finds out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quarantined: Option<QuarantineMark>,
}

/// A record in the shop's quarantine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct QuarantineMark {
    /// The shop's number of it.
    pub row: u64,
    /// SHA-256 of its signed bytes.
    pub sha256: Bytes32,
}

impl Cursor {
    /// The furthest position that it names.
    #[must_use]
    pub fn furthest(&self) -> u64 {
        self.bootstrap.map_or(self.position, |begun| begun.until.max(self.position))
    }
}

/// Progress of handing out newly opened documents.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Default)]
#[serde(deny_unknown_fields)]
pub struct Bootstrap {
    /// The log's end when the round began.
    pub until: u64,
    /// The last document handed out to its end, in the shop's own numbering.
    pub after: u64,
    /// The last change handed out of the document after that one.
    #[serde(default, skip_serializing_if = "is_nought")]
    pub within: u64,
    /// Of a segment of the log that is too large for one page: the last change handed out of it. With newly opened documents it
    /// is the part after `within`, else the part after the cursor's position.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub part_way: Option<Bytes32>,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde asks with a reference")]
const fn is_nought(n: &u64) -> bool {
    *n == 0
}

/// A device's half of the exchange.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ExchangeRequest {
    /// [`PROTOCOL`].
    pub v: u32,
    /// Device wall clock when sent, ms since 1970 UTC.
    pub device_time: i64,
    /// The shop epoch that the cursor belongs to; absent on first contact.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub epoch: Option<Bytes16>,
    /// Where the device stands.
    pub cursor: Cursor,
    /// The device reads recipes in their short form, and whole documents as the shop keeps them.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub segments: bool,
    /// How many bytes of others' changes the device takes now, uncompressed; absent: a page. With 0 it only hands over:
    /// first what cannot be replaced, on a signal that may be gone in a moment.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub room: Option<u64>,
    /// Documents with something to say.
    pub docs: Vec<DocOffer>,
}

/// One change that was not taken.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Refusal {
    /// Which change.
    pub change: Bytes32,
    /// Which record of it was at fault, where one was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub record: Option<RecordId>,
    /// Why.
    pub code: Code,
    /// Why, in a sentence.
    pub detail: String,
}

/// What the shop says of one document.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DocAnswer {
    /// Which document.
    pub id: DocId,
    /// The shop's heads now.
    pub heads: Vec<Bytes32>,
    /// Changes that the device lacks, each after what it builds on.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub recipes: Vec<ShortRecipe>,
    /// The whole document as the shop keeps it, where it was opened to a device that reads [`ExchangeRequest::segments`].
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub segments: Vec<Blob>,
    /// Hashes of the offered changes that the shop now holds, with all that they build on.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub taken: Vec<Bytes32>,
    /// Offered changes that it did not take.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub refused: Vec<Refusal>,
    /// Changes that the offer builds on and the shop lacks.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub needed: Vec<Bytes32>,
    /// The shop's signed receipts that the changes here do not bring: of what was offered, where the document is not open to the
    /// device; of what is handed out, where the page ends before its receipt.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub receipts: Vec<Blob>,
}

impl DocAnswer {
    /// An answer that says nothing yet of a document.
    #[must_use]
    pub const fn new(id: DocId) -> Self {
        Self {
            id,
            heads: Vec::new(),
            recipes: Vec::new(),
            segments: Vec::new(),
            taken: Vec::new(),
            refused: Vec::new(),
            needed: Vec::new(),
            receipts: Vec::new(),
        }
    }
}

/// The shop's half of the exchange.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ExchangeAnswer {
    /// [`PROTOCOL`].
    pub v: u32,
    /// Shop time, ms since 1970 UTC.
    pub shop_time: i64,
    /// The shop epoch; a new one means that the shop was restored from a backup.
    pub epoch: Bytes16,
    /// The cursor of the request that this answers: an answer that comes late, to an older request, is known by it.
    pub since: Cursor,
    /// Where the device stands once it has kept this page.
    pub cursor: Cursor,
    /// There is another page.
    pub more: bool,
    /// The shop's signature over every change in this answer, for a device that reads [`ExchangeRequest::segments`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub vouch: Option<Blob>,
    /// Documents that moved, the roster and the engines first.
    pub docs: Vec<DocAnswer>,
}
