//! Named single values: who this device is, where it stands, what it knows of its clock.

use std::borrow::Cow;
use std::fmt::{self, Display};
use std::marker::PhantomData;

use rusqlite::OptionalExtension;
use serde::Serialize;
use serde::de::DeserializeOwned;
use shared::bytes::Bytes16;
use shared::leaf::LeafSet;
use shared::length::LengthUnit;
use shared::wire::Cursor;

use super::{Store, StoreError, from_json, to_json};
use crate::judge::corrected_time::Contact;

/// The name of a value, and the type that it has.
pub struct MetaKey<T> {
    name: Cow<'static, str>,
    value: PhantomData<fn(T) -> T>,
}

/// Which run of the shop's log this book follows: at the shop, its own.
pub const EPOCH: MetaKey<Bytes16> = MetaKey::new("epoch");
/// How far into the shop's log this device is.
pub const CURSOR: MetaKey<Cursor> = MetaKey::new("cursor");
/// What the last contact with the shop said of this device's clock.
pub(crate) const CONTACT: MetaKey<Contact> = MetaKey::new("contact");
/// Something that the shop vouched for did not hold: each change is checked from then on.
pub(crate) const DISTRUST: MetaKey<bool> = MetaKey::new("distrust");
/// The unit in which this person reads lengths.
pub const UNIT: MetaKey<LengthUnit> = MetaKey::new("unit");
/// The feeler leaves that this person has.
pub const LEAVES: MetaKey<LeafSet> = MetaKey::new("leaves");

impl<T> MetaKey<T> {
    /// The value with this name.
    #[must_use]
    pub const fn new(name: &'static str) -> Self {
        Self { name: Cow::Borrowed(name), value: PhantomData }
    }

    /// One of many values whose names begin alike.
    #[must_use]
    pub fn under(beginning: &str, which: impl Display) -> Self {
        Self { name: Cow::Owned(format!("{beginning}{which}")), value: PhantomData }
    }

    /// The name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }
}

impl<T> fmt::Debug for MetaKey<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "MetaKey({})", self.name)
    }
}

impl Store {
    /// A named value.
    ///
    /// # Errors
    /// [`StoreError`] where the row cannot be read.
    pub fn meta<T: DeserializeOwned>(&self, key: &MetaKey<T>) -> Result<Option<T>, StoreError> {
        let text: Option<String> = self
            .connection
            .prepare_cached("SELECT value FROM meta WHERE key = ?1")?
            .query_row([key.name()], |row| row.get(0))
            .optional()?;
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
    pub fn set_meta<T: Serialize>(&self, key: &MetaKey<T>, value: &T) -> Result<(), StoreError> {
        self.connection
            .prepare_cached("INSERT INTO meta (key, value) VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET value = ?2")?
            .execute((key.name(), to_json(value)?))?;
        Ok(())
    }

    /// Forgets a named value.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn clear_meta<T>(&self, key: &MetaKey<T>) -> Result<(), StoreError> {
        self.connection.prepare_cached("DELETE FROM meta WHERE key = ?1")?.execute([key.name()])?;
        Ok(())
    }
}
