//! What each device has brought in a day: one row, so that a flood is told from a busy day.

use rusqlite::{OptionalExtension, params};
use serde::Serialize;
use shared::ids::DeviceId;

use super::{Size, StoreError, fixed, signed, unsigned};
use crate::store::tables::Quarantine;

/// Rows older than so many days go: the office was told by then.
const KEPT_DAYS: i64 = 30;

/// What one device has brought in one day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Brought {
    /// What was taken.
    pub all: Size,
    /// Of that, into the documents that every device has.
    pub common: Size,
    /// Records that stay on the device until another day.
    pub held_back: u64,
    /// Records for which quarantine had no room.
    pub turned_away: u64,
}

/// A device that brought more than is taken in a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct BroughtTooMuch {
    /// Which.
    pub device: DeviceId,
    /// The day: ms since 1970 UTC at which it began.
    pub day_ms: i64,
    /// Records that stay on the device until another day: at least so many.
    pub held_back: u64,
    /// Records for which quarantine had no room, kept on the device alone.
    pub turned_away: u64,
}

impl Quarantine<'_> {
    /// What a device has brought in a day, counted from 1970 in UTC.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn brought(&self, device: DeviceId, day: i64) -> Result<Brought, StoreError> {
        let mut statement = self.store.connection.prepare_cached(
            "SELECT records, bytes, common_records, common_bytes, held_back, turned_away FROM brought WHERE device = ?1 AND day = ?2",
        )?;
        let found = statement.query_row(params![device.as_bytes().as_slice(), day], |row| {
            let n = |at: usize| row.get::<_, i64>(at).map(unsigned);
            let (all, common) = (Size { records: n(0)?, bytes: n(1)? }, Size { records: n(2)?, bytes: n(3)? });
            Ok(Brought { all, common, held_back: n(4)?, turned_away: n(5)? })
        });
        Ok(found.optional()?.unwrap_or_default())
    }

    /// Notes what a device has brought in a day; its rows of long ago go.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn note_brought(&self, device: DeviceId, day: i64, brought: &Brought) -> Result<(), StoreError> {
        let id = device.as_bytes().as_slice();
        let Brought { all, common, held_back, turned_away } = *brought;
        self.store.connection.prepare_cached("INSERT OR REPLACE INTO brought VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)")?.execute(
            params![
                id,
                day,
                signed(all.records),
                signed(all.bytes),
                signed(common.records),
                signed(common.bytes),
                signed(held_back),
                signed(turned_away)
            ],
        )?;
        self.store
            .connection
            .prepare_cached("DELETE FROM brought WHERE device = ?1 AND day < ?2")?
            .execute(params![id, day - KEPT_DAYS])?;
        Ok(())
    }

    /// Devices that brought more than is taken in a day, the newest day first.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn brought_too_much(&self) -> Result<Vec<BroughtTooMuch>, StoreError> {
        let mut statement = self.store.connection.prepare_cached(
            "SELECT device, day, held_back, turned_away FROM brought WHERE held_back > 0 OR turned_away > 0 ORDER BY day DESC, device",
        )?;
        let rows = statement
            .query_map([], |row| Ok((row.get::<_, Vec<u8>>(0)?, row.get::<_, i64>(1)?, row.get::<_, i64>(2)?, row.get::<_, i64>(3)?)))?;
        rows.map(|row| {
            let (device, day, held_back, turned_away) = row?;
            Ok(BroughtTooMuch {
                device: DeviceId::from_bytes(fixed(&device)?),
                day_ms: day.saturating_mul(86_400_000),
                held_back: unsigned(held_back),
                turned_away: unsigned(turned_away),
            })
        })
        .collect()
    }

    /// What waits in quarantine of what a device brought.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn waiting_of(&self, device: DeviceId) -> Result<Size, StoreError> {
        let waiting = super::to_json(&super::QuarantineState::Waiting)?;
        let mut statement = self
            .store
            .connection
            .prepare_cached("SELECT count(*), coalesce(sum(length(bytes)), 0) FROM quarantine WHERE brought_by = ?1 AND state = ?2")?;
        Ok(statement.query_row(params![device.as_bytes().as_slice(), waiting], |row| {
            Ok(Size { records: unsigned(row.get(0)?), bytes: unsigned(row.get(1)?) })
        })?)
    }
}
