//! Who is signed in at the office's pages, so that a restart of the server signs nobody out. Of the token that a browser shows, its hash
//! alone. Bound to the shop's epoch: a book that was put back from a backup knows no session of before.

use rusqlite::params;
use shared::bytes::{Bytes16, Bytes32};
use shared::ids::PersonId;
use shared::length::LengthUnit;

use super::{EPOCH, StoreError, fixed, from_json, to_json};
use crate::store::tables::Logins;

/// A session as it is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KeptSession {
    /// SHA-256 of what the browser shows.
    pub hash: Bytes32,
    /// Whose.
    pub person: PersonId,
    /// In which unit it shows lengths, where its person chose one.
    pub unit: Option<LengthUnit>,
    /// When it began, by the shop's clock, ms since 1970 UTC.
    pub began_ms: i64,
    /// When it was used last, by the shop's clock, ms since 1970 UTC.
    pub used_ms: i64,
}

impl Logins<'_> {
    /// The sessions of this epoch of the shop.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn kept_sessions(&self) -> Result<Vec<KeptSession>, StoreError> {
        let epoch: Option<Bytes16> = self.store.meta(&EPOCH)?;
        let mut statement =
            self.store.connection.prepare_cached("SELECT hash, person, unit, began_ms, used_ms FROM sessions WHERE epoch = ?1")?;
        let rows = statement.query_map([to_json(&epoch)?], |row| {
            Ok((row.get::<_, Vec<u8>>(0)?, row.get::<_, Vec<u8>>(1)?, row.get::<_, String>(2)?, row.get(3)?, row.get(4)?))
        })?;
        rows.map(|row| {
            let (hash, person, unit, began_ms, used_ms) = row?;
            let (hash, person) = (Bytes32(fixed(&hash)?), PersonId::from_bytes(fixed(&person)?));
            Ok(KeptSession { hash, person, unit: from_json(&unit)?, began_ms, used_ms })
        })
        .collect()
    }

    /// Keeps these sessions, and no others.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn keep_sessions(&self, sessions: &[KeptSession]) -> Result<(), StoreError> {
        let epoch: Option<Bytes16> = self.store.meta(&EPOCH)?;
        let epoch = to_json(&epoch)?;
        self.store.in_small_step(|store| {
            store.connection.prepare_cached("DELETE FROM sessions")?.execute([])?;
            let mut insert = store
                .connection
                .prepare_cached("INSERT INTO sessions (hash, person, unit, began_ms, used_ms, epoch) VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?;
            for KeptSession { hash, person, unit, began_ms, used_ms } in sessions {
                let (hash, person) = (hash.0.as_slice(), person.as_bytes().as_slice());
                insert.execute(params![hash, person, to_json(unit)?, began_ms, used_ms, epoch])?;
            }
            Ok(())
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::Store;

    #[test]
    fn sessions_are_kept_as_they_were_given_and_another_epoch_knows_none() {
        let store = Store::in_memory().unwrap();
        let session = |n: u8| KeptSession {
            hash: Bytes32([n; 32]),
            person: PersonId::from_bytes([n; 16]),
            unit: (n == 1).then_some(LengthUnit::Mm),
            began_ms: 1,
            used_ms: i64::from(n),
        };
        store.set_meta(&EPOCH, &Bytes16([1; 16])).unwrap();
        store.logins().keep_sessions(&[session(1), session(2)]).unwrap();
        assert_eq!(store.logins().kept_sessions().unwrap(), [session(1), session(2)]);
        store.logins().keep_sessions(&[session(2)]).unwrap();
        assert_eq!(store.logins().kept_sessions().unwrap(), [session(2)]);
        store.set_meta(&EPOCH, &Bytes16([2; 16])).unwrap();
        assert_eq!(store.logins().kept_sessions().unwrap(), []);
    }
}
