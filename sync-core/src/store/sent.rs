//! What of the log the shop is known to hold: noted as it answers, and taken back where it lacks something after all.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::params;
use shared::bytes::{Blob, Bytes32};
use shared::ids::DocId;
use shared::record::Body;
use shared::wire::{Recipe, ShortRecipe, delta_encode};

use super::log::{changes_in, frontier_of};
use super::{StoreError, fixed, signed, unsigned};
use crate::change::segment_codec;
use crate::store::tables::Outbox;

impl Outbox<'_> {
    /// Notes that the shop holds these changes of a document, and all that they build on. Gives how many changes that tells
    /// of that were not known to be there.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn mark_at_shop(&self, doc: DocId, taken: &[Bytes32]) -> Result<usize, StoreError> {
        let Some(document) = self.store.documents().document(doc)? else { return Ok(0) };
        let mut covered: BTreeSet<Bytes32> = taken.iter().copied().collect();
        if document.heads.iter().all(|head| covered.contains(head)) {
            return self.mark_all_at_shop(document.num);
        }
        let mut marked = 0;
        let unsent = self.store.log().segments("WHERE num = ?1 AND at_shop = 0 ORDER BY pos DESC", [document.num])?;
        for segment in unsent {
            let mut whole = true;
            let changes = changes_in(doc, &segment.encoded, false)?;
            for (recipe, _) in changes.iter().rev() {
                if covered.contains(&recipe.hash) {
                    covered.extend(&recipe.deps);
                } else {
                    whole = false;
                }
            }
            if whole {
                marked += changes.len();
                self.set_at_shop(segment.pos, true)?;
            }
        }
        Ok(marked)
    }

    /// The same of everything in a document: nothing in it is beyond its heads.
    fn mark_all_at_shop(&self, num: i64) -> Result<usize, StoreError> {
        // The plus keeps to the index of the document's own segments: that of the unsent ones has those of all documents.
        let mut unsent = self.store.connection.prepare_cached("SELECT encoded FROM segments WHERE num = ?1 AND +at_shop = 0")?;
        let mut rows = unsent.query([num])?;
        let mut marked = 0;
        while let Some(row) = rows.next()? {
            marked += segment_codec::count(row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?)?;
        }
        if marked > 0 {
            self.store.connection.prepare_cached("UPDATE segments SET at_shop = 1 WHERE num = ?1 AND +at_shop = 0")?.execute([num])?;
        }
        Ok(marked)
    }

    fn set_at_shop(&self, pos: u64, at_shop: bool) -> Result<(), StoreError> {
        self.store.connection.prepare_cached("UPDATE segments SET at_shop = ?2 WHERE pos = ?1")?.execute(params![signed(pos), at_shop])?;
        Ok(())
    }

    /// Offers these changes of a document again: the shop says that it lacks them.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn offer_again(&self, doc: DocId, hashes: &[Bytes32]) -> Result<(), StoreError> {
        if hashes.is_empty() {
            return Ok(());
        }
        let Some(document) = self.store.documents().document(doc)? else { return Ok(()) };
        for logged in self.store.log().changes_of(document.num)? {
            if hashes.contains(&logged.recipe.hash) {
                self.set_at_shop(logged.pos, false)?;
            }
        }
        Ok(())
    }

    /// Offers everything again: the shop was restored from a backup.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn offer_all_again(&self) -> Result<(), StoreError> {
        self.store.connection.execute_batch("UPDATE segments SET at_shop = 0; UPDATE documents SET held_until_ms = 0;")?;
        Ok(())
    }

    /// Offers again every segment with a record of this device's own that the shop has not receipted. Level, not edge:
    /// whatever happened. What was carried for another device is that device's to be sure of: its receipt may stand in a
    /// document that is not open to this one.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn offer_unreceipted_again(&self) -> Result<usize, StoreError> {
        let mut statement = self.store.connection.prepare_cached("SELECT num, id FROM records WHERE due = 1")?;
        let rows = statement.query_map([], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, Vec<u8>>(1)?)))?;
        let mut due: BTreeMap<i64, BTreeSet<[u8; 16]>> = BTreeMap::new();
        for row in rows {
            let (num, id) = row?;
            due.entry(num).or_default().insert(fixed(&id)?);
        }
        let mut offered = 0;
        for (num, ids) in due {
            for segment in self.store.log().segments("WHERE num = ?1 AND at_shop = 1 ORDER BY pos", [num])? {
                let entries = super::records::entries_in(&segment.encoded)?;
                if entries.iter().any(|entry| ids.contains(entry.record.id.as_bytes())) {
                    self.set_at_shop(segment.pos, false)?;
                    offered += 1;
                }
            }
        }
        Ok(offered)
    }

    /// How many records of this device's own have no receipt of the shop's yet.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn due(&self) -> Result<usize, StoreError> {
        let due: i64 =
            self.store.connection.prepare_cached("SELECT count(*) FROM records WHERE due = 1")?.query_row([], |row| row.get(0))?;
        Ok(usize::try_from(due).unwrap_or_default())
    }

    /// Offers nothing of a document until a time of this device's clock, in ms since 1970 UTC: the shop takes no more today.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn hold_back(&self, doc: DocId, until_ms: i64) -> Result<(), StoreError> {
        let mut statement = self.store.connection.prepare_cached("UPDATE documents SET held_until_ms = ?2 WHERE doc = ?1")?;
        statement.execute(params![doc.as_bytes().as_slice(), until_ms])?;
        Ok(())
    }

    /// Takes out the changes of a document that the shop does not hold, and gives back their records' bytes: the first
    /// step of healing. The records themselves stay with the caller. A document left empty goes. `held`: changes that the shop
    /// has just named as its own; it does not send again what was offered to it, and so they stay, with all that they build on.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn take_out_unsent(&self, doc: DocId, held: &[Bytes32]) -> Result<Vec<Blob>, StoreError> {
        let Some(document) = self.store.documents().document(doc)? else { return Ok(Vec::new()) };
        let mut taken: Vec<Blob> = self.mark_built_upon(doc, document.num, held)?;
        for segment in self.store.log().segments("WHERE num = ?1 AND at_shop = 0 ORDER BY pos", [document.num])? {
            taken.extend(segment_codec::decode(&segment.encoded)?.into_iter().flat_map(|short: ShortRecipe| short.records));
            self.store.connection.prepare_cached("DELETE FROM segments WHERE pos = ?1")?.execute([signed(segment.pos)])?;
        }
        self.store.connection.prepare_cached("DELETE FROM actors WHERE num = ?1")?.execute([document.num])?;
        self.store.forget_cached();
        self.store.connection.prepare_cached("DELETE FROM came WHERE num = ?1")?.execute([document.num])?;
        let mut ids = BTreeSet::new();
        for Blob(bytes) in &taken {
            let record = super::records::entry(bytes)?.record;
            ids.insert(record.id);
            if let Body::Arrival(arrival) = record.body {
                // It is no receipt of these any more.
                ids.extend(arrival.records.iter().map(|named| named.record));
            }
        }
        self.store.records().index_records(document.num, Some(&ids))?;
        let left = self.store.log().changes_of(document.num)?;
        if left.is_empty() && document.place.is_reserved() {
            // The shop's own documents are there from the beginning, with nothing in them.
            self.store.projections().underive(document.num)?;
        } else if left.is_empty() {
            // Nothing but what the shop does not take was in it: here, too, there is no such document then.
            self.store.projections().underive(document.num)?;
            self.store.connection.prepare_cached("DELETE FROM documents WHERE num = ?1")?.execute([document.num])?;
            return Ok(taken);
        }
        let frontier = frontier_of(doc, left.iter().map(|logged| &logged.recipe));
        self.store.log().write_frontier(&frontier, document.num)?;
        Ok(taken)
    }

    /// Notes that the shop holds whatever its changes, these among them, build on: taken out, such a change would leave them hanging. Of a segment
    /// of which only some is so, only that stays; gives the records of the rest.
    fn mark_built_upon(&self, doc: DocId, num: i64, held: &[Bytes32]) -> Result<Vec<Blob>, StoreError> {
        let mut statement =
            self.store.connection.prepare_cached("SELECT pos, at_shop, encoded FROM segments WHERE num = ?1 ORDER BY pos DESC")?;
        let rows = statement
            .query_map([num], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, bool>(1)?, row.get::<_, Vec<u8>>(2)?)))?
            .collect::<Result<Vec<_>, _>>()?;
        let mut built_upon: BTreeSet<Bytes32> = held.iter().copied().collect();
        let mut parted_off = Vec::new();
        // A segment stands in the log after what it builds on, so one pass from the end meets each before that.
        for (pos, at_shop, encoded) in rows {
            let (mut stays, mut goes) = (Vec::new(), Vec::new());
            for (recipe, first_ms) in changes_in(doc, &encoded, false)?.into_iter().rev() {
                if at_shop || built_upon.contains(&recipe.hash) {
                    built_upon.extend(recipe.deps.iter().copied());
                    stays.push((recipe, first_ms));
                } else {
                    goes.push(recipe);
                }
            }
            if at_shop || stays.is_empty() {
                continue;
            }
            if !goes.is_empty() {
                stays.reverse();
                self.narrow_segment(pos, stays)?;
                parted_off.extend(goes.into_iter().rev().flat_map(|recipe| recipe.records));
            }
            self.set_at_shop(unsigned(pos), true)?;
        }
        Ok(parted_off)
    }

    /// Leaves only these of its changes in a segment.
    fn narrow_segment(&self, pos: i64, stays: Vec<(Recipe, i64)>) -> Result<(), StoreError> {
        let hash = stays.last().map_or(Bytes32([0; 32]), |(last, _)| last.hash);
        self.store.connection.prepare_cached("UPDATE segments SET encoded = ?2, hash = ?3 WHERE pos = ?1")?.execute(params![
            pos,
            segment_codec::encode(&delta_encode(stays))?,
            hash.0.as_slice()
        ])?;
        Ok(())
    }
}
