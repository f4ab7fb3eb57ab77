//! The latest notes of a property or a machine: what its next visitor is to know first.

use serde::Serialize;
use shared::ids::{DocId, RecordId};
use shared::record::Body;

use super::bounds::{MOST_NOTES, cut};
use super::history::by;
use crate::book::{Book, BookError};
use crate::ledger::{Entry, Ledger};
use crate::roster::Roster;

/// A note that was not taken back.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct NoteLine {
    /// The record.
    pub record: RecordId,
    /// What it says.
    pub text: String,
    /// Who left it.
    pub by: String,
    /// Corrected time, ms since 1970 UTC.
    pub at_ms: i64,
}

impl Book {
    /// The latest notes of a document, newest first, at most [`MOST_NOTES`]; with how many older ones there are. None of a document
    /// that this book lacks.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn notes(&self, doc: DocId) -> Result<(Vec<NoteLine>, usize), BookError> {
        Ok(latest(&*self.store.ledger_of(doc)?, self.roster()?))
    }
}

/// The latest notes of a ledger, newest first, and how many older ones there are.
pub(super) fn latest(ledger: &Ledger, roster: &Roster) -> (Vec<NoteLine>, usize) {
    let mut notes: Vec<&Entry> = ledger
        .entries()
        .filter(|entry| matches!(entry.record.body, Body::Note(_)) && ledger.voided_by(entry.record.id, roster).is_none())
        .collect();
    notes.sort_by_key(|entry| std::cmp::Reverse((ledger.time(entry.record.id).ms, entry.record.id)));
    let older = cut(&mut notes, MOST_NOTES);
    let line = |entry: &Entry| match &entry.record.body {
        Body::Note(note) => {
            let record = entry.record.id;
            Some(NoteLine { record, text: note.text.clone(), by: by(entry, roster), at_ms: ledger.time(record).ms })
        }
        _ => None,
    };
    (notes.into_iter().filter_map(line).collect(), older)
}
