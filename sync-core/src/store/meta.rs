//! Named single values: who this device is, where it stands, what it knows of its clock.

use rusqlite::OptionalExtension;
use serde::Serialize;
use serde::de::DeserializeOwned;

use super::{Store, StoreError, from_json, to_json};

impl Store {
    /// A named value.
    ///
    /// # Errors
    /// [`StoreError`] where the row cannot be read.
    pub fn meta<T: DeserializeOwned>(&self, key: &str) -> Result<Option<T>, StoreError> {
        let text: Option<String> =
            self.connection.prepare_cached("SELECT value FROM meta WHERE key = ?1")?.query_row([key], |row| row.get(0)).optional()?;
        text.map(|text| from_json(&text)).transpose()
    }

    /// The named values whose names begin so.
    pub(crate) fn metas<T: DeserializeOwned>(&self, beginning: &str) -> Result<Vec<(String, T)>, StoreError> {
        let mut statement = self.connection.prepare_cached("SELECT key, value FROM meta WHERE substr(key, 1, length(?1)) = ?1")?;
        let rows = statement.query_map([beginning], |row| Ok((row.get(0)?, row.get::<_, String>(1)?)))?;
        rows.map(|row| row.map_err(StoreError::from).and_then(|(key, text)| Ok((key, from_json(&text)?)))).collect()
    }

    /// Sets a named value.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn set_meta<T: Serialize>(&self, key: &str, value: &T) -> Result<(), StoreError> {
        self.connection
            .prepare_cached("INSERT INTO meta (key, value) VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET value = ?2")?
            .execute((key, to_json(value)?))?;
        Ok(())
    }

    /// Forgets a named value.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn clear_meta(&self, key: &str) -> Result<(), StoreError> {
        self.connection.prepare_cached("DELETE FROM meta WHERE key = ?1")?.execute([key])?;
        Ok(())
    }
}
