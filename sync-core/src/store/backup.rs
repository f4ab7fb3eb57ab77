//! Copies of the database: made from the open one, since no other program may open it, and proved before they bear a name.
//!
//! A copy is one file without side files. It holds the keys of whoever's book it is, so only its owner may read it.

use std::ffi::OsString;
use std::fs::{self, File};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use rusqlite::backup::{Backup as Copying, StepResult};
use rusqlite::{Connection, OpenFlags};
use shared::bytes::Bytes16;

use super::{Store, StoreError, unsigned};

/// The most faults that one sentence names.
const MOST_NAMED: usize = 3;

/// Why no backup was made. The book itself is as it was, whichever it is.
#[derive(Debug, thiserror::Error)]
pub enum BackupError {
    /// The file exists.
    #[error("{} exists already, and nothing is written over; no backup was made. Name another file", .0.display())]
    Exists(PathBuf),
    /// The file or its folder cannot be written.
    #[error("{} cannot be written ({why}); no backup was made, and the book is as it was. Name another place, or make room", path.display())]
    Unwritable {
        /// Which.
        path: PathBuf,
        /// What the system says.
        why: String,
    },
    /// The book was copied, and a picture of a photo was not.
    #[error("the book itself was copied, but {} was not ({why}). Make room, and do it again", path.display())]
    Pictures {
        /// Which file or folder.
        path: PathBuf,
        /// What the system says.
        why: String,
    },
    /// The copy is not the same as the book.
    #[error("the copy does not hold together ({0}); it was taken away, and the book is as it was. Check the disk, and try again")]
    Untrue(String),
    /// The copy is the same as the book, and would not be put back.
    #[error(
        "the book was copied, but the copy does not verify ({0}), and so would not be put back; it was taken away. The older backups \
             are as they were. Verify the book"
    )]
    Unsound(String),
    /// The book cannot be read, or the copy not be written, by SQLite.
    #[error("no backup was made: {0}")]
    Store(#[from] StoreError),
}

/// A backup that is on the disk under its name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
pub struct Backup {
    /// Size of the file.
    pub bytes: u64,
    /// Documents in it.
    pub documents: u64,
    /// Changes in it.
    pub changes: u64,
    /// Records in it.
    pub records: u64,
}

/// A copy under a temporary name, not proved yet. Dropped, it is taken away.
#[derive(Debug)]
pub struct BackupDraft {
    part: PathBuf,
    path: PathBuf,
    /// Documents, changes and records of the book when it was copied.
    held: [u64; 3],
}

impl Store {
    /// Copies the database into a new file beside `path`, for [`crate::book::backup`] to prove and give its name. This is all of a
    /// backup that needs the book; `mark` tells this copy's temporary file from any other's.
    ///
    /// # Errors
    /// [`BackupError`]; no file is left then.
    pub fn copy_for(&self, path: &Path, mark: Bytes16) -> Result<BackupDraft, BackupError> {
        if path.symlink_metadata().is_ok() {
            return Err(BackupError::Exists(path.to_owned()));
        }
        let mut name = OsString::from(".");
        name.push(path.file_name().ok_or_else(|| unwritable(path, "it names no file"))?);
        name.push(format!(".{mark}.part"));
        let part = path.with_file_name(name);
        new_private_file(&part).map_err(|why| unwritable(path, why))?;
        let draft = BackupDraft { part, path: path.to_owned(), held: self.count_held()? };
        let mut copy = Connection::open(&draft.part).map_err(|e| failed(path, e))?;
        copy_whole(&self.connection, &mut copy).map_err(|e| failed(path, e))?;
        // Written in the old way, a file needs no second one beside it to be whole.
        copy.execute_batch("PRAGMA journal_mode=DELETE;").map_err(|e| failed(path, e))?;
        drop(copy);
        Ok(draft)
    }

    /// A backup's content in memory, brought up to this program's version there. The file itself is only read.
    ///
    /// # Errors
    /// [`StoreError`] where it is no book, or is in use.
    pub fn of_backup(path: &Path) -> Result<Self, StoreError> {
        let file = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX)?;
        file.busy_timeout(std::time::Duration::from_secs(2))?;
        let mut memory = Connection::open_in_memory()?;
        copy_whole(&file, &mut memory)?;
        Self::prepare(memory)
    }

    /// Whether another program has the database at a path open. A file that is damaged, or none, is not in use.
    #[must_use]
    pub fn in_use(path: &Path) -> bool {
        // Only read: SQLite tidies the log of a file that it may write and cannot make sense of, and that log may be all
        // that is left of it.
        let tried = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX);
        let tried = tried.and_then(|connection| {
            connection.busy_timeout(std::time::Duration::from_secs(2))?;
            connection.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get::<_, i64>(0))
        });
        matches!(tried.map_err(StoreError::from), Err(StoreError::InUse))
    }

    fn count_held(&self) -> Result<[u64; 3], StoreError> {
        count(&self.connection)
    }
}

impl BackupDraft {
    /// Where the copy lies until it has its name.
    pub(crate) fn part(&self) -> &Path {
        &self.part
    }

    /// Proves that the copy is the same as the book, brings it to the disk, and gives it its name. That it verifies is for
    /// [`crate::book::backup`] to say.
    ///
    /// # Errors
    /// [`BackupError`]; no file is left then.
    pub(crate) fn keep_verified(self) -> Result<Backup, BackupError> {
        let bytes = self.verify_copy()?;
        // A link, and not a renaming, because it never takes another file's place.
        match fs::hard_link(&self.part, &self.path) {
            Ok(()) => {}
            Err(error) if error.kind() == ErrorKind::AlreadyExists => return Err(BackupError::Exists(self.path.clone())),
            // Some file systems, as on a stick, know no links.
            Err(_) if self.path.symlink_metadata().is_ok() => return Err(BackupError::Exists(self.path.clone())),
            Err(_) => fs::rename(&self.part, &self.path).map_err(|why| unwritable(&self.path, why))?,
        }
        sync_folder_of(&self.path).map_err(|why| unwritable(&self.path, why))?;
        let [documents, changes, records] = self.held;
        Ok(Backup { bytes, documents, changes, records })
    }

    /// The copy read back by a connection of its own, and written through to the disk; its size.
    fn verify_copy(&self) -> Result<u64, BackupError> {
        let read_back = || -> Result<(String, [u64; 3]), StoreError> {
            let copy = Connection::open_with_flags(&self.part, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
            let integrity = copy.query_row("PRAGMA integrity_check(5)", [], |row| row.get(0))?;
            Ok((integrity, count(&copy)?))
        };
        let (integrity, held) = read_back().map_err(|e| BackupError::Untrue(e.to_string()))?;
        if integrity != "ok" {
            return Err(BackupError::Untrue(integrity));
        }
        if held != self.held {
            return Err(BackupError::Untrue(format!("{held:?} documents, changes and records where {:?} belong", self.held)));
        }
        let file = File::options().read(true).write(true).open(&self.part).map_err(|why| unwritable(&self.path, why))?;
        file.sync_all().map_err(|why| unwritable(&self.path, why))?;
        Ok(file.metadata().map_err(|why| unwritable(&self.path, why))?.len())
    }
}

/// The first faults in their own words, and how many there are.
pub(crate) fn few(faults: &[String]) -> String {
    let named = faults.iter().take(MOST_NAMED).map(|fault| fault.trim_end_matches('.')).collect::<Vec<_>>().join("; ");
    match faults.len().saturating_sub(MOST_NAMED) {
        0 => named,
        more => format!("{named}; and {more} more"),
    }
}

impl Drop for BackupDraft {
    fn drop(&mut self) {
        // Gone already where it was renamed. One that cannot be taken away bears a name that says what it is.
        let _ = fs::remove_file(&self.part);
    }
}

/// Copies every page in one step: nothing can be written in between.
fn copy_whole(from: &Connection, to: &mut Connection) -> Result<(), rusqlite::Error> {
    let copying = Copying::new(from, to)?;
    match copying.step(-1)? {
        StepResult::Done => Ok(()),
        // Another program has the file, or this one is in the middle of writing.
        _ => Err(rusqlite::Error::SqliteFailure(rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_BUSY), None)),
    }
}

fn count(connection: &Connection) -> Result<[u64; 3], StoreError> {
    let row = "SELECT (SELECT count(*) FROM documents), (SELECT coalesce(sum(seq), 0) FROM actors), (SELECT count(*) FROM records)";
    let counted: [i64; 3] = connection.query_row(row, [], |row| Ok([row.get(0)?, row.get(1)?, row.get(2)?]))?;
    Ok(counted.map(unsigned))
}

fn failed(path: &Path, error: rusqlite::Error) -> BackupError {
    match StoreError::from(error) {
        StoreError::Full => unwritable(path, "the disk is full"),
        StoreError::Unwritable(why) => unwritable(path, why),
        other => BackupError::Store(other),
    }
}

fn unwritable(path: &Path, why: impl ToString) -> BackupError {
    BackupError::Unwritable { path: path.to_owned(), why: why.to_string() }
}

fn new_private_file(path: &Path) -> std::io::Result<()> {
    let mut options = File::options();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(path).map(drop)
}

/// Brings a folder's list of names to the disk, where the system can.
pub(crate) fn sync_folder_of(path: &Path) -> std::io::Result<()> {
    #[cfg(unix)]
    {
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
        File::open(folder)?.sync_all()?;
    }
    #[cfg(not(unix))]
    let _ = path;
    Ok(())
}
