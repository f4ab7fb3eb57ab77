//! Tidying: many small segments of a document's log become one. A visit and its receipt are two segments; packed together with
//! what came before, the ids that they name cost next to nothing.
//!
//! The newest segments stay as they are, so that a device which was here lately is not sent them again with all before them.
//! To any other device, what it has already changes nothing.

use rusqlite::params;
use shared::wire::{LARGEST_SEGMENT, delta_encode};

use super::log::changes_in;
use super::step::AFTER_LARGE_STEPS;
use super::{MetaKey, StoreError, signed};
use crate::change::segment_codec;
use crate::store::tables::Compaction;

/// The file or its log may have traces of what has been overwritten.
const TRACES: MetaKey<bool> = MetaKey::new("traces");
/// A document of so many segments is worth it.
const MANY: usize = 6;
/// So many of the newest segments stay.
const KEPT: usize = 2;
/// How many documents were tidied since the file was last written anew.
const TIDIED: MetaKey<usize> = MetaKey::new("tidied");
/// A segment of so many bytes, packed, stays as it is: it would be written anew each time.
const LARGE: usize = 64 * 1024;

impl Compaction<'_> {
    /// Tidies documents, up to a count. Gives how many were tidied; 0: there is nothing to do.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn tidy(&self, most: usize) -> Result<usize, StoreError> {
        // At a shop every segment is settled from the beginning: there is more to do only in a document that has moved since.
        let from = if self.store.incarnation.is_some() { self.store.looked_through.get() } else { 0 };
        let end = self.store.log().log_end()?;
        if from == end {
            return Ok(0);
        }
        let mut statement = self.store.connection.prepare_cached(
            "SELECT num FROM segments WHERE num IN (SELECT num FROM segments WHERE pos > ?4)
             GROUP BY num HAVING count(*) FILTER (WHERE at_shop = 1 AND verified = 1 AND length(encoded) < ?1) >= ?2 LIMIT ?3",
        )?;
        let bounds = params![signed(LARGE as u64), signed(MANY as u64), signed(most as u64), signed(from)];
        let documents: Vec<i64> = statement.query_map(bounds, |row| row.get(0))?.collect::<Result<_, _>>()?;
        let all = documents.len() < most;
        let mut tidied = 0;
        for num in documents {
            tidied += usize::from(self.merge_segments(num)?);
        }
        if tidied > 0 {
            let before: usize = self.store.meta(&TIDIED)?.unwrap_or_default();
            self.store.set_meta(&TIDIED, &before.saturating_add(tidied))?;
        } else if all {
            self.store.looked_through.set(end);
        }
        Ok(tidied)
    }

    /// Writes the file anew without the holes that tidying has left in it, where that is worth it. It takes as long as
    /// copying the file, and nobody can use the book meanwhile.
    ///
    /// # Errors
    /// [`StoreError`]; the file is as it was.
    pub fn vacuum(&self) -> Result<bool, StoreError> {
        let tidied: usize = self.store.meta(&TIDIED)?.unwrap_or_default();
        let documents: i64 = self.store.connection.prepare_cached("SELECT count(*) FROM documents")?.query_row([], |row| row.get(0))?;
        if self.store.is_in_step() || tidied == 0 || signed(tidied as u64) < documents / 4 {
            return Ok(false);
        }
        self.store.connection.execute_batch("VACUUM")?;
        self.store.clear_meta(&TIDIED)?;
        Ok(true)
    }

    /// From now on, what is changed or deleted is written over in the file.
    pub(crate) fn overwrite_what_goes(&self) -> Result<(), StoreError> {
        self.store.run("PRAGMA secure_delete=ON")
    }

    /// Says that the file and its log may have traces of what has been overwritten, for [`Compaction::leave_no_trace`].
    pub(crate) fn note_traces(&self) -> Result<(), StoreError> {
        self.store.set_meta(&TRACES, &true)
    }

    /// Writes the file anew without what was once in it, and empties its log, where traces were noted. Cut off in between,
    /// it is done at the next opening.
    pub(crate) fn leave_no_trace(&self) -> Result<(), StoreError> {
        if !self.store.meta(&TRACES)?.unwrap_or(false) {
            return Ok(());
        }
        self.store.run("VACUUM")?;
        let in_use: i64 = self.store.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get(0))?;
        if in_use != 0 {
            return Err(StoreError::InUse);
        }
        self.store.clear_meta(&TRACES)
    }

    /// Copies the database's log into its file where it has grown long. As long as it is short, this takes some microseconds.
    ///
    /// # Errors
    /// [`StoreError`]; nothing is lost.
    pub(crate) fn checkpoint_wal(&self) -> Result<(), StoreError> {
        let mut statement = self.store.connection.prepare_cached("PRAGMA wal_checkpoint(NOOP)")?;
        let (pages, copied): (i64, i64) = statement.query_row([], |row| Ok((row.get(1)?, row.get(2)?)))?;
        if pages - copied < i64::from(AFTER_LARGE_STEPS) {
            return Ok(());
        }
        Ok(self.store.connection.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(()))?)
    }

    /// Merges what can be merged of one document's older segments; whether there was anything.
    fn merge_segments(&self, num: i64) -> Result<bool, StoreError> {
        let settled = self.store.log().segments("WHERE num = ?1 AND at_shop = 1 AND verified = 1 ORDER BY pos", [num])?;
        let pending = self.store.log().segments("WHERE num = ?1 AND (at_shop = 0 OR verified = 0) ORDER BY pos LIMIT 1", [num])?;
        // Nothing may move past a segment that is not settled.
        let until = pending.first().map_or(u64::MAX, |segment| segment.pos);
        let old = settled.len().saturating_sub(KEPT);
        let mut merged: Vec<_> = settled
            .into_iter()
            .take(old)
            .take_while(|segment| segment.pos < until)
            .skip_while(|segment| is_large(&segment.encoded))
            .collect();
        let (mut bytes, mut unpacked, mut fits) = (0, 0_usize, 0);
        for segment in &merged {
            bytes += segment.encoded.len();
            // What compresses to next to nothing may still be large to read.
            unpacked = unpacked.saturating_add(segment_codec::decoded_size(&segment.encoded)?);
            if segment.encoded.len() >= LARGE || bytes >= 2 * LARGE || unpacked > LARGEST_SEGMENT {
                break;
            }
            fits += 1;
        }
        merged.truncate(fits);
        let Some((last, others)) = merged.split_last().filter(|(_, others)| !others.is_empty()) else { return Ok(false) };
        let mut list = Vec::new();
        for segment in &merged {
            list.extend(changes_in(segment.doc, &segment.encoded, false)?);
        }
        let packed = segment_codec::encode_small(&delta_encode(list))?;
        let mut gone = self.store.connection.prepare_cached("DELETE FROM segments WHERE pos = ?1")?;
        for segment in others {
            gone.execute([signed(segment.pos)])?;
        }
        self.store
            .connection
            .prepare_cached("UPDATE segments SET encoded = ?2 WHERE pos = ?1")?
            .execute(params![signed(last.pos), packed])?;
        Ok(true)
    }
}

/// Whether a segment stays as it is: large as it is kept, or unpacked.
fn is_large(encoded: &[u8]) -> bool {
    encoded.len() >= LARGE || segment_codec::decoded_size(encoded).is_ok_and(|size| size > LARGEST_SEGMENT / 2)
}

#[cfg(test)]
mod tests;
