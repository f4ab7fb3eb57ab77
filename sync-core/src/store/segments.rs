//! The log of segments: what came at once of one document, packed, in the order in which it came. Written here; read in `log`.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{OptionalExtension, params};
use shared::bytes::{Bytes16, Bytes32};
use shared::ids::PersonId;
use shared::record::{Arrival, Body, Receipted};
use shared::wire::{Recipe, delta_encode};

use super::derived::TouchedDocument;
use super::documents::joined;
use super::{StoreError, fixed, signed, unsigned};
use crate::change::segment_codec;
use crate::judge::ledger::Entry;
use crate::judge::permissions::{DocKind, Site};
use crate::store::frontier::{ActorEnd, Frontier, PendingRows};
use crate::store::tables::Log;

/// A record that passed the validator.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked {
    /// The record.
    pub entry: Entry,
    /// The very same record is held already, from another change.
    pub held: bool,
}

/// A change that passed the validator, with its records.
pub type Taken = (Recipe, Vec<Checked>);

/// What is known of a segment of the log.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Provenance {
    /// The shop holds it.
    pub at_shop: bool,
    /// Every hash and signature in it was looked at here; else it was kept on the shop's word, and is verified afterwards.
    pub verified: bool,
}

impl Provenance {
    /// Looked at here, and at the shop.
    pub const AT_SHOP: Self = Self { at_shop: true, verified: true };
    /// Looked at here, and brought by a bundle: only the shop of this epoch can say what it holds.
    pub const FROM_BUNDLE: Self = Self { at_shop: false, verified: true };
    /// Kept on the shop's word.
    pub const VOUCHED: Self = Self { at_shop: true, verified: false };
}

/// What was appended to a document last and has its rows.
#[derive(Debug)]
pub(crate) struct Settled {
    pub(super) document: TouchedDocument,
    /// The position of its first part.
    pub(super) from: u64,
    /// Its records.
    pub(super) entries: Vec<Entry>,
}

impl Log<'_> {
    /// The last change of each actor of a document.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn actor_ends(&self, num: i64) -> Result<Vec<ActorEnd>, StoreError> {
        let mut statement = self.store.connection.prepare_cached("SELECT actor, seq, top_op, hash FROM actors WHERE num = ?1")?;
        let mut rows = statement.query([num])?;
        let mut ends = Vec::new();
        while let Some(row) = rows.next()? {
            let actor = Bytes16(fixed(row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?)?);
            let hash = Bytes32(fixed(row.get_ref(3)?.as_blob().map_err(rusqlite::Error::from)?)?);
            ends.push(ActorEnd { actor, seq: unsigned(row.get(1)?), top_op: unsigned(row.get(2)?), hash });
        }
        Ok(ends)
    }

    /// Appends changes that passed the validator and along which the frontier has moved, as one segment of the log. Gives its position.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn append(&self, frontier: &mut Frontier, place: DocKind, taken: Vec<Taken>, known: Provenance) -> Result<u64, StoreError> {
        let pos = self.append_segment(frontier, place, taken, known, None)?;
        self.index(frontier)?;
        Ok(pos)
    }

    /// As [`Log::append`], where these very changes may be packed already. Rows of them are `settle`'s to write, for all
    /// that was appended at once.
    pub(crate) fn append_segment(
        &self,
        frontier: &mut Frontier,
        place: DocKind,
        taken: Vec<Taken>,
        known: Provenance,
        packed: Option<Vec<u8>>,
    ) -> Result<u64, StoreError> {
        self.note_incarnation()?;
        let num = self.founded(frontier, place, &taken)?;
        let hash = taken.last().map_or(Bytes32([0; 32]), |(recipe, _)| recipe.hash);
        let mut list = Vec::with_capacity(taken.len());
        let mut records: Vec<Checked> = Vec::new();
        for (recipe, checked) in taken {
            let mut new = checked.iter().zip(&recipe.records).filter(|(c, _)| !c.held);
            new.try_for_each(|(_, bytes)| self.store.quarantine().release_quarantined(&bytes.0))?;
            let first_ms = checked.first().map_or(0, |c| c.entry.record.at_ms);
            records.extend(checked);
            if packed.is_none() {
                list.push((recipe, crate::change::replica::change_time(first_ms)));
            }
        }
        let packed = match packed {
            Some(packed) => packed,
            None => segment_codec::encode(&delta_encode(list))?,
        };
        let pending = &mut frontier.pending;
        if pending.from.is_none() {
            pending.ledger = self.store.laid_out.borrow_mut().take_if(|(held, _)| *held == num).map(|(_, ledger)| ledger);
        }
        pending.records.extend(records);
        let pos = unsigned(self.insert_segment(num, known, hash, &packed)?);
        pending.from.get_or_insert(pos);
        Ok(pos)
    }

    /// Writes the rows of what was appended to a document. Gives what was: whoever derives from it need not read it back.
    pub(crate) fn index(&self, frontier: &mut Frontier) -> Result<Option<Settled>, StoreError> {
        let Some(document) = frontier.document.as_ref().map(TouchedDocument::from) else { return Ok(None) };
        let num = document.num;
        if frontier.moved().next().is_none() {
            return Ok(None);
        }
        let PendingRows { from, records, ledger } = std::mem::take(&mut frontier.pending);
        self.insert_records(num, &records)?;
        self.store.stood.borrow_mut().take_if(|(held, before)| *held == num && !before.hear(&records));
        let entries: Vec<Entry> = records.into_iter().map(|checked| checked.entry).collect();
        let settled = match ledger {
            Some(ledger) => {
                self.store.records().lay_out_more(num, ledger, entries);
                None
            }
            None => from.map(|from| Settled { document, from, entries }),
        };
        self.write_frontier(frontier, num)?;
        frontier.settled();
        Ok(settled)
    }

    fn founded(&self, frontier: &mut Frontier, place: DocKind, taken: &[Taken]) -> Result<i64, StoreError> {
        if let Some(row) = &frontier.document {
            return Ok(row.num);
        }
        let row = self.store.documents().found_document(frontier.doc, place)?;
        let records = || taken.iter().flat_map(|(_, checked)| checked).map(|c| &c.entry.record);
        if let Some(founder) = records().find_map(Site::founded_by).and_then(|site| site.founder) {
            self.store.documents().set_founder(row.num, founder)?;
        }
        Ok(frontier.document.insert(row).num)
    }

    /// Inserts an encoded segment as it is.
    pub(super) fn insert_segment(&self, num: i64, known: Provenance, hash: Bytes32, encoded: &[u8]) -> Result<i64, StoreError> {
        self.store
            .connection
            .prepare_cached("INSERT INTO segments (num, at_shop, verified, hash, encoded) VALUES (?1, ?2, ?3, ?4, ?5)")?
            .execute(params![num, known.at_shop, known.verified, hash.0.as_slice(), encoded])?;
        self.store.unpacked.borrow_mut().take_if(|(held, _)| *held == num);
        self.store.laid_out.borrow_mut().take_if(|(held, _)| *held == num);
        Ok(self.store.connection.last_insert_rowid())
    }

    /// Writes where a document ends, and how much it holds.
    pub(super) fn write_frontier(&self, frontier: &Frontier, num: i64) -> Result<(), StoreError> {
        let size = frontier.size();
        self.store
            .connection
            .prepare_cached("UPDATE documents SET heads = ?2, bytes = ?3, records = ?4 WHERE num = ?1")?
            .execute(params![num, joined(&frontier.heads()), signed(size.bytes), signed(size.records)])?;
        let mut statement = self.store.connection.prepare_cached(
            "INSERT INTO actors (num, actor, seq, top_op, hash) VALUES (?1, ?2, ?3, ?4, ?5)
             ON CONFLICT (num, actor) DO UPDATE SET seq = ?3, top_op = ?4, hash = ?5",
        )?;
        for end in frontier.moved() {
            statement.execute(params![num, end.actor.0.as_slice(), signed(end.seq), signed(end.top_op), end.hash.0.as_slice()])?;
        }
        Ok(())
    }

    /// Notes, before the first segment that this incarnation of a shop's book appends, where in the log it began.
    pub(super) fn note_incarnation(&self) -> Result<(), StoreError> {
        let Some(incarnation) = self.store.incarnation.filter(|_| !self.store.incarnation_noted.get()) else { return Ok(()) };
        let last: Option<Vec<u8>> = self
            .store
            .connection
            .prepare_cached("SELECT incarnation FROM incarnations ORDER BY first_pos DESC LIMIT 1")?
            .query_row([], |row| row.get(0))
            .optional()?;
        if last.as_deref() != Some(incarnation.0.as_slice()) {
            self.store
                .connection
                .prepare_cached("INSERT INTO incarnations (first_pos, incarnation) VALUES (?1, ?2)")?
                .execute(params![signed(self.log_end()? + 1), incarnation.0.as_slice()])?;
        }
        self.store.incarnation_noted.set(true);
        Ok(())
    }

    /// In which incarnation of the shop's book a position of the log was written; `None` for one that is not there.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn incarnation_at(&self, pos: u64) -> Result<Option<Bytes16>, StoreError> {
        if pos > self.log_end()? {
            return Ok(None);
        }
        let found: Option<Vec<u8>> = self
            .store
            .connection
            .prepare_cached("SELECT incarnation FROM incarnations WHERE first_pos <= ?1 ORDER BY first_pos DESC LIMIT 1")?
            .query_row([signed(pos)], |row| row.get(0))
            .optional()?;
        found.map(|bytes| fixed(&bytes).map(Bytes16)).transpose()
    }

    /// Inserts the rows of records of a document, but of those that are held, with the receipts that are among them.
    pub(super) fn insert_records(&self, num: i64, records: &[Checked]) -> Result<(), StoreError> {
        // A receipt may come before what it is for; of several, the earliest counts.
        let mut receipts: BTreeMap<Receipted, i64> = BTreeMap::new();
        for checked in records {
            if let Body::Arrival(arrival) = &checked.entry.record.body {
                for named in &arrival.records {
                    receipts.entry(*named).and_modify(|at| *at = arrival.at.min(*at)).or_insert(arrival.at);
                }
            }
        }
        let authors: BTreeSet<PersonId> = records.iter().map(|checked| checked.entry.record.by).collect();
        let mut author =
            self.store.connection.prepare_cached("INSERT INTO authors (author, num) VALUES (?1, ?2) ON CONFLICT DO NOTHING")?;
        for person in authors {
            author.execute([self.store.records().word(person.as_bytes())?, num])?;
        }
        let mut apart = self.store.connection.prepare_cached("SELECT at_ms FROM receipts WHERE record = ?1 AND sha256 = ?2")?;
        for checked in records.iter().filter(|checked| !checked.held) {
            let Entry { record, sha256, .. } = &checked.entry;
            let beside = receipts.remove(&Receipted { record: record.id, sha256: *sha256 });
            // One that came beside its document is in no ledger.
            let kept =
                apart.query_row(params![record.id.as_bytes().as_slice(), sha256.0.as_slice()], |row| row.get::<_, i64>(0)).optional()?;
            self.insert_record(num, &checked.entry, beside.into_iter().chain(kept).min())?;
        }
        // What they are for besides was here before.
        receipts.into_iter().try_for_each(|(named, at)| self.mark_received(named, at))
    }

    fn insert_record(&self, num: i64, entry: &Entry, receipt: Option<i64>) -> Result<(), StoreError> {
        let record = &entry.record;
        let owner = self.store.owner.get();
        let arrival = matches!(record.body, Body::Arrival(_));
        // What the shop itself states needs no receipt: its own signature is one.
        let by_shop = arrival || owner.is_some_and(|owner| owner.shop == entry.device);
        let own = owner.is_some_and(|owner| owner.device == entry.device);
        let received_ms = by_shop.then_some(record.at_ms).into_iter().chain(receipt).min();
        self.store
            .connection
            .prepare_cached(
                "INSERT INTO records (id, num, written_ms, received_ms, due, receipt, sha256) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
            )?
            .execute(params![
                record.id.as_bytes().as_slice(),
                num,
                record.at_ms,
                received_ms,
                own && !by_shop && receipt.is_none(),
                arrival,
                received_ms.is_none().then_some(entry.sha256.0.as_slice())
            ])?;
        Ok(())
    }

    /// Keeps a receipt of the shop's that came beside its document.
    pub(crate) fn keep_receipt(&self, arrival: &Arrival) -> Result<(), StoreError> {
        for named in &arrival.records {
            self.keep_apart(*named, arrival.at)?;
            self.mark_received(*named, arrival.at)?;
        }
        Ok(())
    }

    /// Keeps a receipt beside the log, for a record whose document does not bring it or that is still to come.
    fn keep_apart(&self, named: Receipted, at_ms: i64) -> Result<(), StoreError> {
        let mut keep = self.store.connection.prepare_cached(
            "INSERT INTO receipts (record, sha256, at_ms) VALUES (?1, ?2, ?3)
             ON CONFLICT (record, sha256) DO UPDATE SET at_ms = min(at_ms, ?3)",
        )?;
        keep.execute(params![named.record.as_bytes().as_slice(), named.sha256.0.as_slice(), at_ms])?;
        Ok(())
    }

    /// Notes when the shop received a record, if it is held and has the bytes that the receipt is for.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn mark_received(&self, named: Receipted, at_ms: i64) -> Result<(), StoreError> {
        let Receipted { record, sha256 } = named;
        let first = self
            .store
            .connection
            .prepare_cached("UPDATE records SET received_ms = ?2, due = 0, sha256 = NULL WHERE id = ?1 AND sha256 = ?3")?
            .execute(params![record.as_bytes().as_slice(), at_ms, sha256.0.as_slice()])?;
        if first > 0 {
            return Ok(());
        }
        if !self.store.records().holds_record(record)? {
            // It came before what it is for, as of a change that a bundle's carrier took apart.
            return self.keep_apart(named, at_ms);
        }
        // It has a receipt already: of two, the earlier counts. Its hash is not in its row any more.
        let later = self
            .store
            .connection
            .prepare_cached("SELECT 1 FROM records WHERE id = ?1 AND received_ms > ?2")?
            .exists(params![record.as_bytes().as_slice(), at_ms])?;
        if later && self.store.records().held(record)?.is_some_and(|held| held.entry.sha256 == sha256) {
            self.store
                .connection
                .prepare_cached("UPDATE records SET received_ms = ?2 WHERE id = ?1")?
                .execute(params![record.as_bytes().as_slice(), at_ms])?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use shared::ids::DocId;

    use super::*;
    use crate::store::Store;

    #[test]
    fn an_opening_is_noted_again_where_the_step_that_noted_it_was_undone() {
        let mut store = Store::in_memory().unwrap();
        store.set_incarnation(Bytes16([7; 16]));
        let append = |store: &Store| {
            store.log().note_incarnation()?;
            let document = store.documents().found_document(DocId::from_bytes([1; 16]), DocKind::Machine)?;
            store.log().insert_segment(document.num, Provenance::AT_SHOP, Bytes32([2; 32]), b"a segment").map(unsigned)
        };
        let undone = store.atomically(|store| append(store).and_then(|_| Err::<(), _>(StoreError::Full)));
        assert!(undone.is_err());
        let pos = store.atomically(append).unwrap();
        assert_eq!(store.log().incarnation_at(pos).unwrap(), Some(Bytes16([7; 16])));
    }
}
