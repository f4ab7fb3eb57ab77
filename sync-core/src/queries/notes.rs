//! The latest notes of a property or a machine: what its next visitor is to know first.

use serde::Serialize;
use shared::ids::{DocId, RecordId};
use shared::record::Body;

use super::NoteOfDay;
use super::bounds::{MOST_LINES, MOST_NOTED, MOST_NOTES, cut};
use super::history::by;
use super::names::Names;
use crate::engine::BookError;
use crate::judge::ledger::{Entry, Ledger};
use crate::judge::roster::Roster;
use crate::queries::{DayReader, Reader};

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

impl Reader<'_> {
    /// The latest notes of a document, newest first, at most [`MOST_NOTES`]; with how many older ones there are. None of a document
    /// that this book lacks.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn notes(&self, doc: DocId) -> Result<(Vec<NoteLine>, usize), BookError> {
        Ok(latest(&*self.book.store.records().ledger_of(doc)?, self.book.roster()?))
    }
}

impl DayReader<'_> {
    /// The notes that came in within a span of shop time, the latest first; of each machine or property the latest ones.
    pub(super) fn notes_of_day(&self, from_ms: i64, until_ms: i64) -> Result<Vec<NoteOfDay>, BookError> {
        let (mut notes, mut names) = (Vec::new(), Names::default());
        for doc in self.book.store.records().noted(from_ms, until_ms, MOST_NOTED)? {
            let ledger = self.book.store.records().ledger_of(doc)?;
            let came = |id: RecordId| ledger.receipt(id).is_some_and(|receipt| (from_ms..until_ms).contains(&receipt.at_ms));
            let (title, of_machine) = (names.title(self.book, doc)?, self.book.store.machine_rows().tag_of(doc)?.is_some());
            let of_day = latest(&ledger, self.book.roster()?).0.into_iter().filter(|note| came(note.record));
            notes.extend(of_day.map(|note| NoteOfDay { doc, title: title.clone(), of_machine, note }));
        }
        notes.sort_by_key(|line| std::cmp::Reverse((line.note.at_ms, line.note.record)));
        notes.truncate(MOST_LINES);
        Ok(notes)
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
