//! The store: one SQLite database per device and per shop. Only this folder knows rusqlite.
//!
//! - A record, its change and every row derived from it commit in one transaction, or none of them does.
//! - WAL, `synchronous=EXTRA` (FULL, and the folder too), and an exclusive lock for as long as the book is open: a second program is told so.
//! - The file holds the device's keys, sealed or not ([`crate::book::keystore`]), so only its owner may read it.
//! - Kept: the log, in segments (changes as recipes with their signed records, packed), and quarantine. Derived, and rebuilt by
//!   [`crate::book::Book::verify`] to be compared: heads, actors, rows of records, standings, machine rows.

mod access;
mod audit;
mod backup;
mod bootstrap;
mod brought;
mod compact;
mod derived;
mod documents;
mod error;
pub mod frontier;
mod identity;
mod log;
mod machines;
mod meta;
mod quarantine;
mod records;
mod salvage;
mod schema;
mod segments;
mod sent;
mod sessions;
mod step;
mod tables;

use std::cell::{Cell, RefCell};
use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;

use rusqlite::{Connection, OpenFlags};
use shared::bytes::Bytes16;
use shared::ids::DeviceId;

use crate::crypto::storage_key::Access;
use crate::judge::ledger::Ledger;

pub use access::{Code, CodeState, LastContact};
pub(crate) use access::{DeskRow, given_to};
pub use backup::{Backup, BackupDraft, BackupError};
pub(crate) use backup::{few, sync_folder_of};
pub(crate) use bootstrap::WholeDocument;
pub(crate) use brought::Brought;
pub use brought::BroughtTooMuch;
pub use derived::TouchedDocument;
pub(crate) use derived::{Came, DerivedRows, MachineColumns, StandingsCache, ToDerive};
pub use documents::{DocumentRow, Size};
pub use error::StoreError;
pub use identity::{IDENTITY, Identity};
pub use log::{Logged, Segment};
pub(crate) use log::{changes_in, frontier_of};
pub use machines::MachineRow;
pub(crate) use meta::{CONTACT, DISTRUST};
pub use meta::{CURSOR, EPOCH, LEAVES, MetaKey, UNIT};
pub use quarantine::{QuarantineState, Quarantined, RefusedBy};
pub use records::{CameIn, HeldRecord, ReceivedAfter};
pub(crate) use records::{entries_in, entry};
pub(crate) use salvage::Salvage;
pub(crate) use segments::Settled;
pub use segments::{Checked, Provenance, Taken};
pub use sessions::KeptSession;
pub use tables::{Compaction, Documents, Grants, Log, Logins, MachineRows, Outbox, Projections, Quarantine, Records};
pub(crate) mod row;

/// An open database.
#[derive(Debug)]
pub struct Store {
    connection: Connection,
    /// How this opening gets at private keys.
    access: Access,
    /// Which incarnation of a shop's book this opening is; of no other book.
    incarnation: Option<Bytes16>,
    /// Whose book it is.
    owner: Cell<Option<Owner>>,
    /// Numbers of words that were looked up.
    words: RefCell<HashMap<Vec<u8>, i64>>,
    /// What was read last of one document, by its number: screens ask for one after another.
    unpacked: RefCell<Option<(i64, Arc<records::Unpacked>)>>,
    laid_out: RefCell<Option<(i64, Arc<Ledger>)>>,
    stood: RefCell<Option<(i64, StandingsCache)>>,
    /// Whether anything is or ever was in quarantine, once that was looked at.
    any_quarantined: Cell<Option<bool>>,
    /// This incarnation is noted in the log.
    incarnation_noted: Cell<bool>,
    /// As far as this position of a shop's log there is nothing to tidy.
    looked_through: Cell<u64>,
    /// So many pages SQLite's log may have before they are copied into the file.
    longest_log: Cell<u32>,
}

/// Whose book it is, as far as rows depend on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Owner {
    /// The device whose book it is.
    pub device: DeviceId,
    /// The device under which the shop signs.
    pub shop: DeviceId,
}

impl Store {
    /// Opens the database at a path, making it where there is none.
    ///
    /// # Errors
    /// [`StoreError`] where the file is no book, is in use, or cannot be written.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        private_file(path)?;
        Self::prepare(Connection::open(path)?)
    }

    /// Opens the database at a path of a file system of SQLite's that the caller registered under a name: the browser's,
    /// or one that fails on purpose.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub fn open_on(path: &Path, file_system: &str) -> Result<Self, StoreError> {
        Self::prepare(Connection::open_with_flags_and_vfs(path, OpenFlags::default(), file_system)?)
    }

    /// Says how this opening gets at private keys.
    pub(crate) fn set_access(&mut self, access: Access) {
        self.access = access;
    }

    /// How this opening gets at private keys.
    pub(crate) const fn access(&self) -> &Access {
        &self.access
    }

    /// Says which incarnation of a shop's book this opening is.
    pub(crate) fn set_incarnation(&mut self, incarnation: Bytes16) {
        self.incarnation = Some(incarnation);
        self.incarnation_noted.set(false);
    }

    /// Says whose book it is.
    pub(crate) fn set_owner(&self, owner: Owner) {
        self.owner.set(Some(owner));
    }

    /// Forgets what was looked up: the rows may be others now.
    fn forget_cached(&self) {
        self.words.borrow_mut().clear();
        *self.unpacked.borrow_mut() = None;
        *self.laid_out.borrow_mut() = None;
        *self.stood.borrow_mut() = None;
        self.any_quarantined.set(None);
        self.incarnation_noted.set(false);
        self.looked_through.set(0);
    }

    /// A database in memory, for tests.
    ///
    /// # Errors
    /// [`StoreError`] where SQLite fails.
    pub fn in_memory() -> Result<Self, StoreError> {
        Self::prepare(Connection::open_in_memory()?)
    }

    fn prepare(mut connection: Connection) -> Result<Self, StoreError> {
        connection.busy_timeout(std::time::Duration::from_secs(2))?;
        connection.set_prepared_statement_cache_capacity(128);
        // EXTRA is FULL, and also writes out the folder once the journal of a new file is gone: a power cut that brought
        // that journal back would undo the file to nothing, with its log. It comes before that step.
        connection.execute_batch(
            "PRAGMA locking_mode=EXCLUSIVE; PRAGMA synchronous=EXTRA; PRAGMA journal_mode=WAL; PRAGMA foreign_keys=ON; PRAGMA trusted_schema=OFF; PRAGMA cache_size=-16384;",
        )?;
        schema::migrate(&mut connection)?;
        // Takes the exclusive lock now, so that a second program is told at once and not at its first write.
        connection.execute_batch("BEGIN IMMEDIATE; COMMIT;")?;
        let store = Self {
            connection,
            access: Access::default(),
            incarnation: None,
            owner: Cell::new(None),
            words: RefCell::default(),
            unpacked: RefCell::default(),
            laid_out: RefCell::default(),
            stood: RefCell::default(),
            any_quarantined: Cell::new(None),
            incarnation_noted: Cell::new(false),
            looked_through: Cell::new(0),
            longest_log: Cell::new(0),
        };
        store.hold_log_to(step::AFTER_LARGE_STEPS)?;
        store.projections().begin_rows()?;
        Ok(store)
    }
}

/// Makes the file with rights for its owner alone, before SQLite would make it with more.
fn private_file(path: &Path) -> Result<(), StoreError> {
    let mut options = std::fs::OpenOptions::new();
    options.create(true).append(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        options.mode(0o600);
    }
    options.open(path).map(drop).map_err(|e| StoreError::Unwritable(e.to_string()))
}

/// Reads bytes of a fixed length from a row.
fn fixed<const N: usize>(bytes: &[u8]) -> Result<[u8; N], StoreError> {
    bytes.try_into().map_err(|_| StoreError::Damaged(format!("{} bytes where {N} belong", bytes.len())))
}

/// An unsigned number as SQLite holds it.
fn signed(n: u64) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

/// A number of SQLite's that is never negative.
fn unsigned(n: i64) -> u64 {
    u64::try_from(n).unwrap_or(0)
}

/// A value as JSON text for a row.
fn to_json<T: serde::Serialize>(value: &T) -> Result<String, StoreError> {
    serde_json::to_string(value).map_err(|e| StoreError::Damaged(e.to_string()))
}

/// A value from JSON text of a row.
fn from_json<T: serde::de::DeserializeOwned>(text: &str) -> Result<T, StoreError> {
    serde_json::from_str(text).map_err(|e| StoreError::Damaged(e.to_string()))
}
