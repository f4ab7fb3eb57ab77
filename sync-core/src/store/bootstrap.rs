//! Whole documents kept on the shop's word: their segments as they came, and which of them are still to be verified.

use std::collections::BTreeSet;

use shared::bytes::{Blob, Bytes32};
use shared::ids::DocId;

use super::frontier::Frontier;
use super::{Checked, DerivedRows, Provenance, Segment, StoreError, signed};
use crate::judge::ledger::Entry;
use crate::judge::permissions::DocKind;
use crate::store::tables::Documents;

/// A whole document, opened and ready to be kept.
#[derive(Debug)]
pub(crate) struct WholeDocument {
    pub(crate) frontier: Frontier,
    pub(crate) place: DocKind,
    /// Hash of the last change, encoded bytes and records of each segment.
    pub(crate) segments: Vec<(Bytes32, Blob, Vec<Entry>)>,
    pub(crate) rows: Option<DerivedRows>,
}

impl Documents<'_> {
    /// Keeps a whole document of which nothing is here. False where some record of it is held already, in another one.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn keep_whole(&self, document: WholeDocument) -> Result<bool, StoreError> {
        let WholeDocument { frontier, place, segments, rows } = document;
        for entry in segments.iter().flat_map(|(.., entries)| entries) {
            if self.store.records().holds_record(entry.record.id)? {
                return Ok(false);
            }
        }
        self.store.log().note_incarnation()?;
        let row = self.found_document(frontier.doc, place)?;
        self.store.log().write_frontier(&frontier, row.num)?;
        let mut records = Vec::new();
        let mut seen = BTreeSet::new();
        for (hash, encoded, entries) in segments {
            self.store.log().insert_segment(row.num, Provenance::VOUCHED, hash, &encoded.0)?;
            records.extend(entries.into_iter().map(|entry| Checked { held: !seen.insert(entry.record.id), entry }));
        }
        self.store.log().insert_records(row.num, &records)?;
        if let Some(rows) = rows {
            self.store.projections().write_rows(row.num, &rows)?;
        }
        Ok(true)
    }

    /// Whether no change of a document is here.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn has_nothing_of(&self, doc: DocId) -> Result<bool, StoreError> {
        let mut statement =
            self.store.connection.prepare_cached("SELECT 1 FROM segments JOIN documents USING (num) WHERE doc = ?1 LIMIT 1")?;
        Ok(!statement.exists([doc.as_bytes().as_slice()])?)
    }

    /// Forgets a document that does not hold together, with all rows of it. Only what the shop sent is ever forgotten.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn forget_document(&self, doc: DocId) -> Result<(), StoreError> {
        let Some(document) = self.document(doc)? else { return Ok(()) };
        self.store.projections().underive(document.num)?;
        for sql in [
            "DELETE FROM records WHERE num = ?1",
            "DELETE FROM authors WHERE num = ?1",
            "DELETE FROM actors WHERE num = ?1",
            "DELETE FROM segments WHERE num = ?1",
        ] {
            self.store.connection.prepare_cached(sql)?.execute([document.num])?;
        }
        // The row stays: what kind of document it is does not follow from what will come.
        self.store.log().write_frontier(&Frontier::empty(doc), document.num)?;
        self.store.forget_cached();
        Ok(())
    }

    /// How many segments of the log were kept on the shop's word and are not verified yet.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn unverified(&self) -> Result<usize, StoreError> {
        let count: i64 =
            self.store.connection.prepare_cached("SELECT count(*) FROM segments WHERE verified = 0")?.query_row([], |row| row.get(0))?;
        Ok(usize::try_from(count).unwrap_or_default())
    }

    /// Segments that were kept on the shop's word and are not verified yet, the oldest first, up to a count.
    pub(crate) fn unverified_segments(&self, most: usize) -> Result<Vec<Segment>, StoreError> {
        self.store.log().segments(&format!("WHERE verified = 0 ORDER BY pos LIMIT {most}"), [])
    }

    /// Notes that the segment at a position was verified.
    pub(crate) fn note_verified(&self, pos: u64) -> Result<(), StoreError> {
        self.store.connection.prepare_cached("UPDATE segments SET verified = 1 WHERE pos = ?1")?.execute([signed(pos)])?;
        Ok(())
    }
}
