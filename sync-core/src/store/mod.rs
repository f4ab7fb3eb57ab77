//! The store: one SQLite database per device and per shop. Only this folder knows rusqlite.
//!
//! - A record, its change and every row derived from it commit in one transaction, or none of them does.
//! - WAL, `synchronous=EXTRA` (FULL, and the folder too), and an exclusive lock for as long as the book is open: a second program is told so.
//! - The file holds the device's keys, sealed or not ([`crate::sealing`]), so only its owner may read it.
//! - Kept: the log, in parts (changes as recipes with their signed records, packed), and quarantine. Derived, and rebuilt by
//!   [`verify`] to be compared: heads, actors, rows of records, standings, machine rows.

mod access;
mod backup;
mod brought;
mod derived;
mod deriving;
mod documents;
mod fill;
mod log;
mod meta;
mod pack;
mod parts;
mod quarantine;
mod records;
mod row;
mod salvage;
mod schema;
mod sent;
mod sessions;
mod tidy;
mod verify;

use std::cell::{Cell, RefCell};
use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;

use rusqlite::{Connection, OpenFlags};
use shared::bytes::Bytes16;
use shared::ids::DeviceId;

use crate::ledger::Ledger;
use crate::sealing::Access;

pub(crate) use access::given_to;
pub use access::{Code, CodeState, LastContact};
pub use backup::{Backup, BackupError, Draft};
pub(crate) use backup::{few, sync_folder_of};
pub(crate) use brought::Brought;
pub use brought::BroughtTooMuch;
pub use derived::{MachineRow, TouchedDocument};
pub(crate) use deriving::ToDerive;
pub use documents::{DocumentRow, Size};
pub use fill::Filled;
pub use log::{Logged, Part};
pub(crate) use pack::pack;
pub use pack::{unpack, unpacked_size};
pub(crate) use parts::Settled;
pub use parts::{Known, Taken};
pub use quarantine::{QuarantineState, Quarantined};
pub use records::{CameIn, HeldRecord, ReceivedAfter};
pub(crate) use salvage::Salvage;
pub use sessions::KeptSession;
pub use verify::Verification;

/// The store failed. Whatever was being written when it did is not kept; everything before is.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// Another program has the book open.
    #[error("another program has this book open; nothing of this step was kept. Close the other one and try again")]
    InUse,
    /// The file is not a book, or is damaged.
    #[error("the file is not a Tappetbook database, or it is damaged ({0}); nothing was written to it")]
    NotABook(String),
    /// The book was written by a newer program.
    #[error("the book was written by a newer version of this program; nothing was changed. Update the program")]
    TooNew,
    /// The disk is full.
    #[error("the disk is full; nothing of this step was kept, everything before it was. Make room and try again")]
    Full,
    /// The file or its folder cannot be written.
    #[error("the book cannot be opened or written here ({0}); nothing of this step was kept")]
    Unwritable(String),
    /// A row that this program wrote cannot be read back.
    #[error("a row of the book cannot be read ({0}); run verify, and restore from the shop or a backup if it stays so")]
    Damaged(String),
    /// Any other failure of SQLite.
    #[error("the book's database failed ({0}); nothing of this step was kept")]
    Sqlite(rusqlite::Error),
}

impl From<rusqlite::Error> for StoreError {
    fn from(error: rusqlite::Error) -> Self {
        use rusqlite::ErrorCode as E;
        match error.sqlite_error_code() {
            Some(E::DatabaseBusy | E::DatabaseLocked) => Self::InUse,
            Some(E::NotADatabase | E::DatabaseCorrupt) => Self::NotABook(error.to_string()),
            Some(E::DiskFull) => Self::Full,
            Some(E::ReadOnly | E::CannotOpen | E::PermissionDenied) => Self::Unwritable(error.to_string()),
            _ => Self::Sqlite(error),
        }
    }
}

/// An open database.
#[derive(Debug)]
pub struct Store {
    connection: Connection,
    /// How this opening gets at private keys.
    access: Access,
    /// Which opening of a shop's book this is; of no other book.
    opening: Option<Bytes16>,
    /// Whose book it is.
    owner: Cell<Option<Owner>>,
    /// Numbers of words that were looked up.
    words: RefCell<HashMap<Vec<u8>, i64>>,
    /// What was read last of one document, by its number: screens ask for one after another.
    unpacked: RefCell<Option<(i64, Arc<records::Unpacked>)>>,
    laid_out: RefCell<Option<(i64, Arc<Ledger>)>>,
    stood: RefCell<Option<(i64, deriving::Before)>>,
    /// Whether anything is or ever was in quarantine, once that was looked at.
    any_quarantined: Cell<Option<bool>>,
    /// This opening is noted in the log.
    opening_noted: Cell<bool>,
    /// As far as this position of a shop's log there is nothing to tidy.
    looked_through: Cell<u64>,
    /// So many pages SQLite's log may have before they are copied into the file.
    longest_log: Cell<u32>,
}

/// A large step writes thousands of pages, and copying them right away would be waited for, too.
const AFTER_LARGE_STEPS: u32 = 4096;
/// Where [`Store::shorten_log`] follows each step when nobody waits: only if it does not come by.
const AT_THE_VERY_MOST: u32 = 4 * AFTER_LARGE_STEPS;
/// Small steps are waited for one by one. Over a log that was copied the next pages are written in place, and a file that need not
/// grow is on the disk sooner.
const AFTER_SMALL_STEPS: u32 = 1024;

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

    /// Says which opening of a shop's book this is.
    pub(crate) fn set_opening(&mut self, opening: Bytes16) {
        self.opening = Some(opening);
        self.opening_noted.set(false);
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
        self.opening_noted.set(false);
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
            opening: None,
            owner: Cell::new(None),
            words: RefCell::default(),
            unpacked: RefCell::default(),
            laid_out: RefCell::default(),
            stood: RefCell::default(),
            any_quarantined: Cell::new(None),
            opening_noted: Cell::new(false),
            looked_through: Cell::new(0),
            longest_log: Cell::new(0),
        };
        store.hold_log_to(AFTER_LARGE_STEPS)?;
        store.begin_rows()?;
        Ok(store)
    }

    /// Runs a step in one transaction: all of it is kept, or nothing. Inside another one, the step belongs to that.
    ///
    /// # Errors
    /// The step's own error, or [`StoreError`] where SQLite cannot commit.
    pub fn atomically<T, E: From<StoreError>>(&self, step: impl FnOnce(&Self) -> Result<T, E>) -> Result<T, E> {
        self.in_one(AFTER_LARGE_STEPS, step)
    }

    /// As [`Store::atomically`], for a few records: somebody waits for each such step.
    ///
    /// # Errors
    /// As [`Store::atomically`].
    pub(crate) fn in_small_step<T, E: From<StoreError>>(&self, step: impl FnOnce(&Self) -> Result<T, E>) -> Result<T, E> {
        self.in_one(AFTER_SMALL_STEPS, step)
    }

    /// As [`Store::atomically`], where [`Store::shorten_log`] follows once nobody waits.
    ///
    /// # Errors
    /// As [`Store::atomically`].
    pub(crate) fn in_step_tidied_after<T, E: From<StoreError>>(&self, step: impl FnOnce(&Self) -> Result<T, E>) -> Result<T, E> {
        self.in_one(AT_THE_VERY_MOST, step)
    }

    fn in_one<T, E: From<StoreError>>(&self, longest_log: u32, step: impl FnOnce(&Self) -> Result<T, E>) -> Result<T, E> {
        if self.is_in_step() {
            return step(self);
        }
        self.hold_log_to(longest_log)?;
        self.begin()?;
        let _undo = Undo(self);
        let result = step(self);
        self.finish(result)
    }

    fn hold_log_to(&self, pages: u32) -> Result<(), StoreError> {
        if self.longest_log.get() != pages {
            self.connection.pragma_update(None, "wal_autocheckpoint", pages)?;
            self.longest_log.set(pages);
        }
        Ok(())
    }

    /// Whether a transaction is open: what is done now belongs to it.
    pub(crate) fn is_in_step(&self) -> bool {
        !self.connection.is_autocommit()
    }

    /// Undoes a transaction that a panic left open. Joined by the next step, it would never be committed.
    pub(crate) fn undo_left_open(&self) {
        self.forget_cached();
        drop(Undo(self));
    }

    /// Begins a transaction that [`Store::finish`] ends.
    pub(crate) fn begin(&self) -> Result<(), StoreError> {
        self.run_often("BEGIN IMMEDIATE")
    }

    /// Commits where the result is good and undoes where it is not.
    pub(crate) fn finish<T, E: From<StoreError>>(&self, result: Result<T, E>) -> Result<T, E> {
        let result = result.and_then(|value| self.run_often("COMMIT").map(|()| value).map_err(E::from));
        if result.is_err() {
            // A full disk makes SQLite undo by itself: what was looked up may be gone with that, too.
            self.forget_cached();
            // The first error is the one to tell; a rollback that fails leaves the transaction to be undone on open.
            drop(Undo(self));
        }
        result
    }

    fn run(&self, sql: &str) -> Result<(), StoreError> {
        self.connection.execute_batch(sql).map_err(StoreError::from)
    }

    fn run_often(&self, sql: &str) -> Result<(), StoreError> {
        self.connection.prepare_cached(sql)?.execute([])?;
        Ok(())
    }
}

/// Undoes, when dropped, whatever transaction is still open then.
struct Undo<'a>(&'a Store);

impl Drop for Undo<'_> {
    fn drop(&mut self) {
        if self.0.is_in_step() {
            self.0.forget_cached();
            // Nothing can be done about a rollback that fails; the transaction is undone when the file is next opened.
            let _ = self.0.connection.execute_batch("ROLLBACK");
        }
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

#[cfg(test)]
mod tests {
    use super::*;

    /// How many pages the log of a book gets when it is written to in steps of some 25.
    fn log_after(steps: u32, step: impl Fn(&Store, &str) -> Result<(), StoreError>) -> u64 {
        let folder = tempfile::tempdir().unwrap();
        let place = folder.path().join("book.db");
        let store = Store::open(&place).unwrap();
        for n in 0..steps {
            step(&store, &n.to_string().repeat(50_000)).unwrap();
        }
        std::fs::metadata(place.with_extension("db-wal")).unwrap().len() / (4096 + 24)
    }

    #[test]
    fn the_log_of_small_steps_is_written_over_and_that_of_large_ones_grows() {
        let small = log_after(80, |store, much| store.in_small_step(|store| store.set_meta("much", &much)));
        let large = log_after(80, |store, much| store.atomically(|store| store.set_meta("much", &much)));
        assert!(small < 1_100, "{small} pages");
        assert!(large > 1_500, "{large} pages");
    }

    #[test]
    fn a_log_that_is_shortened_after_each_step_does_not_grow_on() {
        let step = |store: &Store, much: &str| store.in_step_tidied_after(|store| store.set_meta("much", &much));
        let left = log_after(220, step);
        let shortened = log_after(220, |store, much| step(store, much).and_then(|()| store.shorten_log()));
        assert!(left > 4_500, "{left} pages");
        assert!(shortened < 4_200, "{shortened} pages");
    }
}
