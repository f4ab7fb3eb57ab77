//! Quarantine: records that could not be taken, kept whole with the reason until the office lets them in or keeps them out.

use rusqlite::{OptionalExtension, params};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use shared::bytes::Bytes32;
use shared::ids::{DeviceId, DocId, RecordId};
use shared::problem::Code;
use shared::wire::QuarantineMark;

use super::{StoreError, fixed, from_json, to_json};
use crate::crypto::envelope;
use crate::store::tables::Quarantine;

/// What became of a record in quarantine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum QuarantineState {
    /// Waits for the office.
    Waiting,
    /// The office let it in.
    Released,
    /// The office keeps it out.
    KeptOut,
}

/// A record in quarantine.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Quarantined {
    /// The store's number of it.
    pub id: i64,
    /// Which record, where it could be read.
    pub record: Option<RecordId>,
    /// The document that it was meant for.
    pub doc: DocId,
    /// Why it is here.
    pub code: Code,
    /// The device that signed it, or claims to have.
    pub device: Option<DeviceId>,
    /// Since when, ms since 1970 UTC.
    pub since_ms: i64,
    /// What became of it.
    pub state: QuarantineState,
    /// What it says, where it could be read: its kind.
    pub kind: Option<String>,
    /// Its signed bytes.
    #[serde(skip)]
    pub bytes: Vec<u8>,
}

/// Who did not take a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RefusedBy {
    /// This book: a device's own, or the shop's.
    ThisBook {
        /// At the shop, the device that brought it.
        brought_by: Option<DeviceId>,
    },
    /// The shop, which has it in its own quarantine in this epoch.
    Shop,
}

impl Quarantine<'_> {
    /// Puts a record into quarantine; once, however often it comes. One that was let in, and is refused after all, waits again.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn put(&self, doc: DocId, bytes: &[u8], code: Code, since_ms: i64, by: RefusedBy) -> Result<(), StoreError> {
        let brought_by = if let RefusedBy::ThisBook { brought_by } = by { brought_by } else { None };
        let opened = envelope::decode_unverified(bytes).ok();
        let record = opened.as_ref().map(|o| o.record.id.as_bytes().to_vec());
        let device = opened.as_ref().map(|o| o.device.as_bytes().to_vec());
        self.store.any_quarantined.set(None);
        self.store
            .connection
            .prepare_cached(
                "INSERT INTO quarantine (record, doc, code, device, since_ms, state, bytes, brought_by, refused_by_shop)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)
                 ON CONFLICT (bytes) DO UPDATE
                   SET code = ?3, since_ms = ?5, state = ?6, brought_by = ?8, refused_by_shop = ?9 WHERE state = ?10",
            )?
            .execute(params![
                record,
                doc.as_bytes().as_slice(),
                to_json(&code)?,
                device,
                since_ms,
                to_json(&QuarantineState::Waiting)?,
                bytes,
                brought_by.map(|device| device.as_bytes().to_vec()),
                by == RefusedBy::Shop,
                to_json(&QuarantineState::Released)?
            ])?;
        Ok(())
    }

    /// Whether anything is or ever was in quarantine: in most books nothing, and each record that comes in is asked about.
    fn has_quarantined(&self) -> Result<bool, StoreError> {
        if let Some(known) = self.store.any_quarantined.get() {
            return Ok(known);
        }
        let found = self.store.connection.prepare_cached("SELECT 1 FROM quarantine LIMIT 1")?.exists([])?;
        self.store.any_quarantined.set(Some(found));
        Ok(found)
    }

    /// Everything in quarantine, oldest first.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn quarantined(&self) -> Result<Vec<Quarantined>, StoreError> {
        self.some_quarantined(None, 0, usize::MAX)
    }

    /// What is in quarantine in this state, or in any, oldest first: numbers beyond `after`, at most so many.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn some_quarantined(&self, state: Option<QuarantineState>, after: i64, most: usize) -> Result<Vec<Quarantined>, StoreError> {
        let mut statement = self.store.connection.prepare_cached(
            "SELECT id, record, doc, code, device, since_ms, state, bytes FROM quarantine
             WHERE id > ?1 AND (?2 IS NULL OR state = ?2) ORDER BY id LIMIT ?3",
        )?;
        let state = state.map(|state| to_json(&state)).transpose()?;
        let rows = statement.query_map(params![after, state, i64::try_from(most).unwrap_or(i64::MAX)], |row| {
            Ok((
                row.get::<_, i64>(0)?,
                row.get::<_, Option<Vec<u8>>>(1)?,
                row.get::<_, Vec<u8>>(2)?,
                row.get::<_, String>(3)?,
                row.get::<_, Option<Vec<u8>>>(4)?,
                row.get::<_, i64>(5)?,
                row.get::<_, String>(6)?,
                row.get::<_, Vec<u8>>(7)?,
            ))
        })?;
        rows.map(|row| {
            let (id, record, doc, code, device, since_ms, state, bytes) = row?;
            Ok(Quarantined {
                id,
                record: record.map(|r| fixed(&r).map(RecordId::from_bytes)).transpose()?,
                doc: DocId::from_bytes(fixed(&doc)?),
                code: from_json(&code)?,
                device: device.map(|d| fixed(&d).map(DeviceId::from_bytes)).transpose()?,
                since_ms,
                state: from_json(&state)?,
                kind: envelope::decode_unverified(&bytes).ok().map(|o| o.record.body.kind().to_owned()),
                bytes,
            })
        })
        .collect()
    }

    /// How many records are in quarantine in this state.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn count_quarantined(&self, state: QuarantineState) -> Result<usize, StoreError> {
        let mut statement = self.store.connection.prepare_cached("SELECT count(*) FROM quarantine WHERE state = ?1")?;
        let count: i64 = statement.query_row([to_json(&state)?], |row| row.get(0))?;
        Ok(usize::try_from(count).unwrap_or_default())
    }

    /// One record in quarantine.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn one_quarantined(&self, id: i64) -> Result<Option<Quarantined>, StoreError> {
        let found = self.some_quarantined(None, id.saturating_sub(1), 1)?.pop();
        Ok(found.filter(|held| held.id == id))
    }

    /// Sets what became of a record in quarantine.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn settle_quarantined(&self, id: i64, state: QuarantineState) -> Result<(), StoreError> {
        self.store.connection.prepare_cached("UPDATE quarantine SET state = ?2 WHERE id = ?1")?.execute(params![id, to_json(&state)?])?;
        Ok(())
    }

    /// Notes that a record came into the book after all, by another way.
    pub(super) fn release_quarantined(&self, bytes: &[u8]) -> Result<(), StoreError> {
        if !self.has_quarantined()? {
            return Ok(());
        }
        self.store
            .connection
            .prepare_cached("UPDATE quarantine SET state = ?2 WHERE bytes = ?1")?
            .execute(params![bytes, to_json(&QuarantineState::Released)?])?;
        Ok(())
    }

    /// Whether the office keeps these bytes out.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn is_kept_out(&self, bytes: &[u8]) -> Result<bool, StoreError> {
        if !self.has_quarantined()? {
            return Ok(false);
        }
        let kept_out = to_json(&QuarantineState::KeptOut)?;
        Ok(self
            .store
            .connection
            .prepare_cached("SELECT 1 FROM quarantine WHERE bytes = ?1 AND state = ?2")?
            .exists(params![bytes, kept_out])?)
    }

    /// Why the shop refused these bytes in its present epoch, where it did and they wait for the office since.
    pub(crate) fn refused_by_shop(&self, bytes: &[u8]) -> Result<Option<Code>, StoreError> {
        if !self.has_quarantined()? {
            return Ok(None);
        }
        let mut statement =
            self.store.connection.prepare_cached("SELECT code FROM quarantine WHERE bytes = ?1 AND refused_by_shop = 1 AND state = ?2")?;
        let code: Option<String> = statement.query_row(params![bytes, to_json(&QuarantineState::Waiting)?], |row| row.get(0)).optional()?;
        code.map(|code| from_json(&code)).transpose()
    }

    /// The documents and bytes of this device's own records that the shop refused and that wait for the office, oldest first. A
    /// refusal belongs to an epoch: from now on none of them, nor anybody else's, counts as refused by the shop.
    pub(crate) fn forget_refusals(&self, own: DeviceId) -> Result<Vec<(DocId, Vec<u8>)>, StoreError> {
        let mut statement = self
            .store
            .connection
            .prepare_cached("SELECT doc, bytes FROM quarantine WHERE refused_by_shop = 1 AND state = ?1 AND device = ?2 ORDER BY id")?;
        let rows = statement.query_map(params![to_json(&QuarantineState::Waiting)?, own.as_bytes().as_slice()], |row| {
            Ok((row.get::<_, Vec<u8>>(0)?, row.get::<_, Vec<u8>>(1)?))
        })?;
        let refused: Vec<(Vec<u8>, Vec<u8>)> = rows.collect::<Result<_, _>>()?;
        self.store.connection.prepare_cached("UPDATE quarantine SET refused_by_shop = 0 WHERE refused_by_shop = 1")?.execute([])?;
        refused.into_iter().map(|(doc, bytes)| Ok((DocId::from_bytes(fixed(&doc)?), bytes))).collect()
    }

    /// What says of these bytes that they are in this quarantine.
    pub(crate) fn mark_of(&self, bytes: &[u8]) -> Result<Option<QuarantineMark>, StoreError> {
        let mut statement = self.store.connection.prepare_cached("SELECT id FROM quarantine WHERE bytes = ?1")?;
        let row: Option<i64> = statement.query_row([bytes], |row| row.get(0)).optional()?;
        Ok(row.map(|row| QuarantineMark { row: row.unsigned_abs(), sha256: Bytes32(Sha256::digest(bytes).into()) }))
    }

    /// The last that a device brought into this quarantine.
    pub(crate) fn last_of(&self, device: DeviceId) -> Result<Option<QuarantineMark>, StoreError> {
        let last = "SELECT bytes FROM quarantine WHERE brought_by = ?1 ORDER BY id DESC LIMIT 1";
        let mut statement = self.store.connection.prepare_cached(last)?;
        let bytes: Option<Vec<u8>> = statement.query_row([device.as_bytes().as_slice()], |row| row.get(0)).optional()?;
        bytes.map_or(Ok(None), |bytes| self.mark_of(&bytes))
    }

    /// Whether this quarantine has what a mark names, whatever became of it.
    pub(crate) fn has(&self, mark: &QuarantineMark) -> Result<bool, StoreError> {
        let mut statement = self.store.connection.prepare_cached("SELECT bytes FROM quarantine WHERE id = ?1")?;
        let bytes: Option<Vec<u8>> = statement.query_row([mark.row.cast_signed()], |row| row.get(0)).optional()?;
        Ok(bytes.is_some_and(|bytes| Bytes32(Sha256::digest(&bytes).into()) == mark.sha256))
    }

    /// Whether these bytes are in quarantine, and were not let in.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn is_quarantined(&self, bytes: &[u8]) -> Result<bool, StoreError> {
        let found: Option<i64> = self
            .store
            .connection
            .prepare_cached("SELECT id FROM quarantine WHERE bytes = ?1 AND state <> ?2")?
            .query_row(params![bytes, to_json(&QuarantineState::Released)?], |row| row.get(0))
            .optional()?;
        Ok(found.is_some())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::Store;

    #[test]
    fn what_is_kept_out_is_known_though_nothing_was_there_at_the_first_look() {
        let store = Store::in_memory().unwrap();
        assert!(!store.quarantine().is_kept_out(b"a record").unwrap());
        store
            .quarantine()
            .put(DocId::from_bytes([1; 16]), b"a record", Code::RoleMayNot, 0, RefusedBy::ThisBook { brought_by: None })
            .unwrap();
        assert!(!store.quarantine().is_kept_out(b"a record").unwrap(), "it waits");
        let waiting = store.quarantine().quarantined().unwrap().first().unwrap().id;
        store.quarantine().settle_quarantined(waiting, QuarantineState::KeptOut).unwrap();
        assert!(store.quarantine().is_kept_out(b"a record").unwrap());
    }
}
