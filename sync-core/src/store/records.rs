//! Records: the signed bytes, and a few columns to find them by.

use std::collections::BTreeSet;

use rusqlite::{OptionalExtension, params};
use shared::bytes::Bytes32;
use shared::ids::{DeviceId, DocId, PersonId, RecordId};
use shared::record::Body;
use shared::slot::Slot;

use super::{Store, StoreError, fixed};
use crate::admission::Checked;
use crate::envelope;
use crate::ledger::{Entry, Ledger};

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

fn entry(bytes: &[u8]) -> Result<Entry, StoreError> {
    let opened = envelope::open(bytes).map_err(|e| StoreError::Damaged(e.to_string()))?;
    Ok(Entry { device: opened.device, record: opened.record })
}

fn held((doc, bytes, received_ms): (Vec<u8>, Vec<u8>, Option<i64>)) -> Result<HeldRecord, StoreError> {
    Ok(HeldRecord { doc: DocId::from_bytes(fixed(&doc)?), entry: entry(&bytes)?, bytes, received_ms })
}

impl Store {
    pub(super) fn insert_record(&self, num: i64, checked: &Checked, bytes: &[u8]) -> Result<(), StoreError> {
        if checked.held {
            return Ok(());
        }
        let record = &checked.record;
        // What the shop itself states needs no receipt: its own signature is one.
        let by_shop = matches!(record.body, Body::Arrival(_)) || self.is_shop_device(checked.device)?;
        self.connection
            .prepare_cached(
                "INSERT INTO records (id, num, slot, kind, author, device, written_ms, received_ms, bytes) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
            )?
            .execute(params![
                record.id.as_bytes().as_slice(),
                num,
                Slot::of(record).map(|slot| slot.0),
                record.body.kind(),
                record.by.as_bytes().as_slice(),
                checked.device.as_bytes().as_slice(),
                record.at_ms,
                by_shop.then_some(record.at_ms),
                bytes
            ])?;
        self.release_quarantined(bytes)?;
        Ok(())
    }

    fn is_shop_device(&self, device: DeviceId) -> Result<bool, StoreError> {
        let root: Option<crate::roster::ShopRoot> = self.meta("root")?;
        Ok(root.is_some_and(|root| root.device == device))
    }

    /// Notes when the shop received these records.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn mark_received(&self, ids: &[RecordId], at_ms: i64) -> Result<(), StoreError> {
        let mut statement = self
            .connection
            .prepare_cached("UPDATE records SET received_ms = ?2 WHERE id = ?1 AND (received_ms IS NULL OR received_ms > ?2)")?;
        for id in ids {
            statement.execute(params![id.as_bytes().as_slice(), at_ms])?;
        }
        Ok(())
    }

    /// A record.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn held(&self, id: RecordId) -> Result<Option<HeldRecord>, StoreError> {
        let mut statement =
            self.connection.prepare_cached("SELECT doc, bytes, received_ms FROM records JOIN documents USING (num) WHERE id = ?1")?;
        let row: Option<(Vec<u8>, Vec<u8>, Option<i64>)> =
            statement.query_row([id.as_bytes().as_slice()], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?))).optional()?;
        row.map(held).transpose()
    }

    /// The ids of records that begin with these hexadecimal digits, at most a few.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn ids_like(&self, hex: &str) -> Result<Vec<RecordId>, StoreError> {
        let pattern: String = hex.chars().filter(char::is_ascii_hexdigit).collect::<String>().to_ascii_uppercase();
        let mut statement = self.connection.prepare_cached("SELECT id FROM records WHERE hex(id) LIKE '%' || ?1 LIMIT 8")?;
        let rows = statement.query_map([pattern], |row| row.get::<_, Vec<u8>>(0))?;
        rows.map(|row| Ok(RecordId::from_bytes(fixed(&row?)?))).collect()
    }

    /// A document's ledger.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn ledger(&self, num: i64) -> Result<Ledger, StoreError> {
        let mut statement = self.connection.prepare_cached("SELECT bytes FROM records WHERE num = ?1")?;
        let rows = statement.query_map([num], |row| row.get::<_, Vec<u8>>(0))?;
        let entries: Result<Vec<Entry>, StoreError> = rows.map(|row| entry(&row?)).collect();
        Ok(Ledger::new(entries?))
    }

    /// The ledger of a document by its id; empty where there is none.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn ledger_of(&self, doc: DocId) -> Result<Ledger, StoreError> {
        match self.document(doc)? {
            Some(row) => self.ledger(row.num),
            None => Ok(Ledger::default()),
        }
    }

    /// The ledger of a document as it was at some heads: what they and the changes behind them hold.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn ledger_at(&self, num: i64, heads: &[Bytes32]) -> Result<Ledger, StoreError> {
        let beyond: BTreeSet<u64> = self.positions_beyond(num, heads)?.into_iter().collect();
        let mut statement = self.connection.prepare_cached(
            "SELECT pos, bytes FROM changes JOIN contents USING (pos) JOIN records USING (id) WHERE changes.num = ?1 ORDER BY pos, idx",
        )?;
        let rows = statement.query_map([num], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, Vec<u8>>(1)?)))?;
        let mut entries = Vec::new();
        for row in rows {
            let (pos, bytes) = row?;
            if !beyond.contains(&super::unsigned(pos)) {
                entries.push(entry(&bytes)?);
            }
        }
        Ok(Ledger::new(entries))
    }

    /// Records received after a time of the shop's and written, by their device's own clock, within a span; oldest first.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn received_after(&self, after_ms: i64, written_from_ms: i64, written_until_ms: i64) -> Result<Vec<HeldRecord>, StoreError> {
        let mut statement = self.connection.prepare_cached(
            "SELECT doc, bytes, received_ms FROM records JOIN documents USING (num)
             WHERE received_ms > ?1 AND written_ms >= ?2 AND written_ms < ?3 AND kind <> 'arrival' ORDER BY received_ms, id",
        )?;
        let rows = statement.query_map([after_ms, written_from_ms, written_until_ms], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?;
        rows.map(|row| held(row?)).collect()
    }

    /// The documents in which a person has written.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn documents_by_author(&self, person: PersonId) -> Result<Vec<i64>, StoreError> {
        let mut statement = self.connection.prepare_cached("SELECT DISTINCT num FROM records WHERE author = ?1")?;
        Ok(statement.query_map([person.as_bytes().as_slice()], |row| row.get(0))?.collect::<Result<_, _>>()?)
    }

    /// Records received in a span of shop time, oldest first.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn received_between(&self, from_ms: i64, until_ms: i64) -> Result<Vec<HeldRecord>, StoreError> {
        let mut statement = self.connection.prepare_cached(
            "SELECT doc, bytes, received_ms FROM records JOIN documents USING (num)
             WHERE received_ms >= ?1 AND received_ms < ?2 AND kind <> 'arrival' ORDER BY received_ms, id",
        )?;
        let rows = statement.query_map([from_ms, until_ms], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?;
        rows.map(|row| held(row?)).collect()
    }

    /// How many records the store holds, receipts of the shop not counted, and how many of them wait for the shop, with
    /// the oldest of those: what this device wrote and has no receipt for, and what it carries for others and has not
    /// handed over.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn counts(&self, own: DeviceId) -> Result<(u64, u64, Option<i64>), StoreError> {
        let row = self.connection.query_row(
            "WITH waiting AS (
               SELECT id FROM records WHERE received_ms IS NULL AND device = ?1
               UNION SELECT id FROM contents JOIN changes USING (pos) JOIN records USING (id) WHERE at_shop = 0 AND received_ms IS NULL)
             SELECT count(*), count(waiting.id), min(written_ms) FILTER (WHERE waiting.id IS NOT NULL)
             FROM records LEFT JOIN waiting USING (id) WHERE kind <> 'arrival'",
            [own.as_bytes().as_slice()],
            |row| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?, row.get::<_, Option<i64>>(2)?)),
        )?;
        Ok((super::unsigned(row.0), super::unsigned(row.1), row.2))
    }
}
