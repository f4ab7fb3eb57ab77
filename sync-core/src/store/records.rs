//! Records: where each stands in the log, and a few columns to find them by. The signed bytes are in the segments.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, OnceLock};

use rusqlite::OptionalExtension;
use shared::bytes::{Blob, Bytes32};
use shared::ids::{DocId, PersonId, RecordId};

use super::log::Logged;
use super::{StoreError, fixed, unsigned};
use crate::change::segment_codec;
use crate::crypto::envelope;
use crate::judge::ledger::{Entry, Ledger};
use crate::store::Checked;
use crate::store::tables::Records;

/// A record as it is held.
#[derive(Debug, Clone, PartialEq)]
pub struct HeldRecord {
    /// Its document.
    pub doc: DocId,
    /// Its signed bytes.
    pub bytes: Vec<u8>,
    /// What they say.
    pub entry: Entry,
    /// When the shop received it, ms since 1970 UTC; `None` while it has no receipt.
    pub received_ms: Option<i64>,
}

/// A span of days over which records that came late are looked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReceivedAfter {
    /// Received after this, ms since 1970 UTC.
    pub after_ms: i64,
    /// Written from this on, by their device's clock.
    pub written_from_ms: i64,
    /// And before this. Of two spans the later beginning has the later end.
    pub written_until_ms: i64,
}

/// What came in from one person in a span of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CameIn {
    /// The author.
    pub author: PersonId,
    /// Records.
    pub records: usize,
    /// Of them, clearance readings.
    pub readings: usize,
    /// Machines that they speak about.
    pub machines: usize,
}

/// The signed bytes of a document's records.
#[derive(Debug)]
pub(super) struct Unpacked {
    records: Vec<Blob>,
    /// One of them was asked for.
    asked: AtomicBool,
    /// Where each is; made when a second one is asked for, so that many are not each looked for among all.
    by_id: OnceLock<BTreeMap<RecordId, usize>>,
}

impl Unpacked {
    fn find(&self, id: RecordId) -> Result<Option<(Entry, Vec<u8>)>, StoreError> {
        if !self.asked.swap(true, Ordering::Relaxed) {
            return self.look_for(id);
        }
        let by_id = match self.by_id.get() {
            Some(by_id) => by_id,
            None => {
                // One that came in two changes is found in the first; one that is damaged is found nowhere.
                let ids = self.records.iter().enumerate().rev().filter_map(|(n, Blob(bytes))| Some((entry(bytes).ok()?.record.id, n)));
                self.by_id.get_or_init(|| ids.collect())
            }
        };
        by_id.get(&id).and_then(|n| self.records.get(*n)).map(|Blob(bytes)| Ok((entry(bytes)?, bytes.clone()))).transpose()
    }

    fn look_for(&self, id: RecordId) -> Result<Option<(Entry, Vec<u8>)>, StoreError> {
        for Blob(bytes) in &self.records {
            // The id stands in the bytes as it is: most others need not be read.
            if bytes.windows(16).any(|window| window == id.as_bytes()) {
                let entry = entry(bytes)?;
                if entry.record.id == id {
                    return Ok(Some((entry, bytes.clone())));
                }
            }
        }
        Ok(None)
    }
}

/// A record of our own store, read back.
pub(crate) fn entry(bytes: &[u8]) -> Result<Entry, StoreError> {
    let (device, record) = envelope::read_back(bytes).map_err(|e| StoreError::Damaged(e.to_string()))?;
    Ok(Entry { device, record, sha256: envelope::sha256(bytes) })
}

/// The records of an encoded segment, in order.
pub(crate) fn entries_in(encoded: &[u8]) -> Result<Vec<Entry>, StoreError> {
    segment_codec::decode(encoded)?.iter().flat_map(|short| &short.records).map(|Blob(bytes)| entry(bytes)).collect()
}

impl Records<'_> {
    /// The number that stands for some bytes in rows: a kind's name, a person's id.
    pub(super) fn word(&self, bytes: &[u8]) -> Result<i64, StoreError> {
        if let Some(word) = self.store.words.borrow().get(bytes) {
            return Ok(*word);
        }
        let held: Option<i64> = self
            .store
            .connection
            .prepare_cached("SELECT word FROM words WHERE bytes = ?1")?
            .query_row([bytes], |row| row.get(0))
            .optional()?;
        let word = match held {
            Some(word) => word,
            None => {
                self.store.connection.prepare_cached("INSERT INTO words (bytes) VALUES (?1)")?.execute([bytes])?;
                self.store.connection.last_insert_rowid()
            }
        };
        self.store.words.borrow_mut().insert(bytes.to_vec(), word);
        Ok(word)
    }

    /// Whether the record with this id is held with these very bytes.
    pub(crate) fn holds_bytes(&self, id: RecordId, bytes: &[u8]) -> Result<bool, StoreError> {
        Ok(self.held(id)?.is_some_and(|held| held.bytes == bytes))
    }

    /// Whether a record is held.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn holds_record(&self, id: RecordId) -> Result<bool, StoreError> {
        Ok(self.store.connection.prepare_cached("SELECT 1 FROM records WHERE id = ?1")?.exists([id.as_bytes().as_slice()])?)
    }

    /// A record.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn held(&self, id: RecordId) -> Result<Option<HeldRecord>, StoreError> {
        let mut statement =
            self.store.connection.prepare_cached("SELECT doc, num, received_ms FROM records JOIN documents USING (num) WHERE id = ?1")?;
        let row: Option<(Vec<u8>, i64, Option<i64>)> =
            statement.query_row([id.as_bytes().as_slice()], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?))).optional()?;
        let Some((doc, num, received_ms)) = row else { return Ok(None) };
        let found = self.unpacked(num)?.find(id)?;
        let (entry, bytes) = found.ok_or_else(|| StoreError::Damaged("a record that is not in its document".to_owned()))?;
        Ok(Some(HeldRecord { doc: DocId::from_bytes(fixed(&doc)?), entry, bytes, received_ms }))
    }

    /// The records of a document. The one unpacked last is at hand: records are often asked for one after another.
    fn unpacked(&self, num: i64) -> Result<Arc<Unpacked>, StoreError> {
        if let Some((held, records)) = self.store.unpacked.borrow().as_ref()
            && *held == num
        {
            return Ok(Arc::clone(records));
        }
        let mut records = Vec::new();
        for bytes in self.store.log().encoded_segments_of(num)? {
            records.extend(segment_codec::decode(&bytes)?.into_iter().flat_map(|short| short.records));
        }
        let records = Arc::new(Unpacked { records, asked: AtomicBool::new(false), by_id: OnceLock::new() });
        *self.store.unpacked.borrow_mut() = Some((num, Arc::clone(&records)));
        Ok(records)
    }

    /// The ids of records that end with these hexadecimal digits, at most a few.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn ids_like(&self, hex: &str) -> Result<Vec<RecordId>, StoreError> {
        let pattern: String = hex.chars().filter(char::is_ascii_hexdigit).collect::<String>().to_ascii_uppercase();
        let mut statement = self.store.connection.prepare_cached("SELECT id FROM records WHERE hex(id) LIKE '%' || ?1 LIMIT 8")?;
        let rows = statement.query_map([pattern], |row| row.get::<_, Vec<u8>>(0))?;
        rows.map(|row| Ok(RecordId::from_bytes(fixed(&row?)?))).collect()
    }

    /// A document's ledger.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn ledger(&self, num: i64) -> Result<Arc<Ledger>, StoreError> {
        if let Some((held, ledger)) = self.store.laid_out.borrow().as_ref()
            && *held == num
        {
            return Ok(Arc::clone(ledger));
        }
        let mut entries = Vec::new();
        for encoded in self.store.log().encoded_segments_of(num)? {
            entries.extend(entries_in(&encoded)?);
        }
        let ledger = Arc::new(Ledger::new(entries));
        *self.store.laid_out.borrow_mut() = Some((num, Arc::clone(&ledger)));
        Ok(ledger)
    }

    /// Lays a document's ledger out with these records too: in a visit, one reading follows another.
    pub(super) fn lay_out_more(&self, num: i64, ledger: Arc<Ledger>, more: Vec<Entry>) {
        *self.store.laid_out.borrow_mut() = Some((num, Arc::new(Arc::unwrap_or_clone(ledger).with(more))));
    }

    /// The ledger of a document by its id; empty where there is none.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn ledger_of(&self, doc: DocId) -> Result<Arc<Ledger>, StoreError> {
        match self.store.documents().document(doc)? {
            Some(row) => self.ledger(row.num),
            None => Ok(Arc::default()),
        }
    }

    /// The ledger of a document as it was at some heads: what they and the changes behind them hold.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn ledger_at(&self, num: i64, heads: &[Bytes32]) -> Result<Ledger, StoreError> {
        let (behind, _) = self.store.log().parted_at(num, heads)?;
        let entries: Result<Vec<Entry>, StoreError> =
            behind.iter().flat_map(|logged| &logged.recipe.records).map(|Blob(bytes)| entry(bytes)).collect();
        Ok(Ledger::new(entries?))
    }

    /// For each span: the records received after a time of the shop's and written, by their device's own clock, within it;
    /// oldest first. It goes over all records once, however many spans there are: for days that are over. Spans in the order of
    /// their beginnings.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn received_after(&self, spans: &[ReceivedAfter]) -> Result<Vec<Vec<HeldRecord>>, StoreError> {
        let mut found: Vec<Vec<HeldRecord>> = spans.iter().map(|_| Vec::new()).collect();
        let first = spans.iter().map(|span| span.written_from_ms).min().unwrap_or_default();
        let last = spans.iter().map(|span| span.written_until_ms).max().unwrap_or_default();
        let closed = spans.iter().map(|span| span.after_ms).min().unwrap_or_default();
        let mut statement = self.store.connection.prepare_cached(
            "SELECT num, id, written_ms, received_ms FROM records
             WHERE written_ms >= ?2 AND written_ms < ?3 AND received_ms > ?1 AND receipt = 0",
        )?;
        let mut rows = statement.query([closed, first, last])?;
        let mut wanted: Vec<(i64, RecordId, usize)> = Vec::new();
        while let Some(row) = rows.next()? {
            let (num, written_ms, received_ms): (i64, i64, i64) = (row.get(0)?, row.get(2)?, row.get(3)?);
            let id = RecordId::from_bytes(fixed(row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?)?);
            let begun = spans.partition_point(|span| span.written_from_ms <= written_ms);
            let within = spans.iter().enumerate().take(begun).rev().take_while(|(_, span)| written_ms < span.written_until_ms);
            wanted.extend(within.filter(|(_, span)| received_ms > span.after_ms).map(|(n, _)| (num, id, n)));
        }
        // One document after another, so that each is unpacked once.
        wanted.sort_unstable();
        for (_, id, span) in wanted {
            found[span].extend(self.held(id)?);
        }
        for records in &mut found {
            records.sort_by_key(|held| (held.received_ms, held.entry.record.id));
        }
        Ok(found)
    }

    /// The documents in which a person has written.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn documents_by_author(&self, person: PersonId) -> Result<Vec<i64>, StoreError> {
        let mut statement = self.store.connection.prepare_cached("SELECT num FROM authors WHERE author = ?1")?;
        Ok(statement.query_map([self.word(person.as_bytes())?], |row| row.get(0))?.collect::<Result<_, _>>()?)
    }

    /// What came in from each person in a span of shop time.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn came_in(&self, from_ms: i64, until_ms: i64) -> Result<Vec<CameIn>, StoreError> {
        let mut statement = self.store.connection.prepare_cached(
            "SELECT words.bytes, sum(records), sum(readings), count(DISTINCT machines.num)
             FROM came JOIN words ON words.word = author LEFT JOIN machines USING (num)
             WHERE at_ms >= ?1 AND at_ms < ?2 GROUP BY author",
        )?;
        let rows = statement.query_map([from_ms, until_ms], |row| {
            Ok((row.get::<_, Vec<u8>>(0)?, row.get::<_, i64>(1)?, row.get::<_, i64>(2)?, row.get::<_, i64>(3)?))
        })?;
        let count = |n: i64| usize::try_from(n).unwrap_or_default();
        rows.map(|row| {
            let (author, records, readings, machines) = row?;
            let author = PersonId::from_bytes(fixed(&author)?);
            Ok(CameIn { author, records: count(records), readings: count(readings), machines: count(machines) })
        })
        .collect()
    }

    /// The documents in which notes came in within a span of shop time, the latest first, at most so many.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn noted(&self, from_ms: i64, until_ms: i64, most: usize) -> Result<Vec<DocId>, StoreError> {
        let mut statement = self.store.connection.prepare_cached(
            "SELECT doc FROM came JOIN documents USING (num) WHERE at_ms >= ?1 AND at_ms < ?2 AND notes > 0
             GROUP BY num ORDER BY max(at_ms) DESC, num LIMIT ?3",
        )?;
        let most = i64::try_from(most).unwrap_or(i64::MAX);
        let rows = statement.query_map([from_ms, until_ms, most], |row| row.get::<_, Vec<u8>>(0))?;
        rows.map(|row| Ok(DocId::from_bytes(fixed(&row?)?))).collect()
    }

    /// How many records the store holds, receipts of the shop not counted, and how many of them wait for the shop, with
    /// the oldest of those: what this device wrote and has no receipt for, and what the shop of this epoch is not known to hold.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn counts(&self) -> Result<(u64, u64, Option<i64>), StoreError> {
        let all: i64 =
            self.store.connection.prepare_cached("SELECT count(*) FROM records WHERE receipt = 0")?.query_row([], |row| row.get(0))?;
        let mut unsent = records_of(&self.store.outbox().unsent(i64::MAX)?)?;
        let mut waiting: u64 = 0;
        let mut oldest: Option<i64> = None;
        let mut count = |written_ms: i64| {
            waiting += 1;
            oldest = Some(oldest.map_or(written_ms, |oldest| oldest.min(written_ms)));
        };
        let mut due = self.store.connection.prepare_cached("SELECT id, written_ms FROM records WHERE due = 1")?;
        for row in due.query_map([], |row| Ok((row.get::<_, Vec<u8>>(0)?, row.get::<_, i64>(1)?)))? {
            let (id, written_ms) = row?;
            unsent.remove(&RecordId::from_bytes(fixed(&id)?));
            count(written_ms);
        }
        let mut carried = self.store.connection.prepare_cached("SELECT written_ms FROM records WHERE id = ?1 AND receipt = 0")?;
        for id in unsent {
            let written: Option<i64> = carried.query_row([id.as_bytes().as_slice()], |row| row.get(0)).optional()?;
            written.into_iter().for_each(&mut count);
        }
        Ok((unsigned(all), waiting, oldest))
    }

    /// Of records of a document, those that the shop of this epoch is known to hold: received, and not to be offered to it again.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn at_shop_of(&self, doc: DocId, records: impl Iterator<Item = RecordId>) -> Result<BTreeSet<RecordId>, StoreError> {
        let Some(document) = self.store.documents().document(doc)? else { return Ok(BTreeSet::new()) };
        let unsent = records_of(&self.store.outbox().unsent_of(document.num)?)?;
        let mut received = self.store.connection.prepare_cached("SELECT 1 FROM records WHERE id = ?1 AND received_ms IS NOT NULL")?;
        let mut at_shop = BTreeSet::new();
        for id in records.filter(|id| !unsent.contains(id)) {
            if received.exists([id.as_bytes().as_slice()])? {
                at_shop.insert(id);
            }
        }
        Ok(at_shop)
    }

    /// Makes the rows of a document's records anew from its segments. `only` these, or all of them.
    pub(super) fn index_records(&self, num: i64, only: Option<&BTreeSet<RecordId>>) -> Result<(), StoreError> {
        match only {
            Some(ids) => {
                let mut gone = self.store.connection.prepare_cached("DELETE FROM records WHERE id = ?1")?;
                for id in ids {
                    gone.execute([id.as_bytes().as_slice()])?;
                }
            }
            None => {
                self.store.connection.prepare_cached("DELETE FROM records WHERE num = ?1")?.execute([num])?;
            }
        }
        self.store.connection.prepare_cached("DELETE FROM authors WHERE num = ?1")?.execute([num])?;
        let mut records = Vec::new();
        let mut seen = BTreeSet::new();
        for encoded in self.store.log().encoded_segments_of(num)? {
            for entry in entries_in(&encoded)? {
                let held = !seen.insert(entry.record.id) || self.holds_record(entry.record.id)?;
                records.push(Checked { entry, held });
            }
        }
        self.store.log().insert_records(num, &records)
    }
}

fn records_of(changes: &[Logged]) -> Result<BTreeSet<RecordId>, StoreError> {
    changes.iter().flat_map(|logged| &logged.recipe.records).map(|Blob(bytes)| Ok(entry(bytes)?.record.id)).collect()
}
