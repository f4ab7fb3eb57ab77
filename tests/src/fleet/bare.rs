//! The least that the same bytes cost on this disk: a plain SQLite table, no engine. Beside the store itself, this file alone
//! names rusqlite.

use std::fs;
use std::path::Path;

use rusqlite::Connection;

use super::{Stopwatch, about};

/// Single records committed.
const COMMITS: usize = 50;
/// The size of each, in bytes.
const RECORD_BYTES: usize = 500;

/// How far SQLite waits for the disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Synchronous {
    /// At every commit.
    Full,
    /// And for the folder, where a journal is taken away.
    Extra,
}

/// A plain table of records: WAL. Dropped, its files are gone.
pub(super) struct Table<'p> {
    connection: Connection,
    path: &'p Path,
}

impl<'p> Table<'p> {
    pub(super) fn make(path: &'p Path, synchronous: Synchronous) -> Result<Self, String> {
        remove(path);
        let synchronous = match synchronous {
            Synchronous::Full => "FULL",
            Synchronous::Extra => "EXTRA",
        };
        let connection = Connection::open(path).map_err(about(path))?;
        connection
            .execute_batch(&format!(
                "PRAGMA journal_mode=WAL; PRAGMA synchronous={synchronous};
                 CREATE TABLE records (id BLOB PRIMARY KEY, bytes BLOB NOT NULL) WITHOUT ROWID;"
            ))
            .map_err(about(path))?;
        Ok(Self { connection, path })
    }

    /// Inserts in one transaction; how long until it was committed, in ms.
    pub(super) fn insert<'r>(&self, records: impl Iterator<Item = (&'r [u8], &'r [u8])>) -> Result<f64, String> {
        let watch = Stopwatch::start();
        let step = || {
            self.connection.execute_batch("BEGIN IMMEDIATE")?;
            let mut insert = self.connection.prepare_cached("INSERT INTO records (id, bytes) VALUES (?1, ?2)")?;
            for record in records {
                insert.execute(record)?;
            }
            self.connection.execute_batch("COMMIT")
        };
        step().map_err(about(self.path))?;
        Ok(watch.wall_ms())
    }
}

impl Drop for Table<'_> {
    fn drop(&mut self) {
        remove(self.path);
    }
}

fn remove(path: &Path) {
    for end in ["", "-wal", "-shm"] {
        let mut name = path.as_os_str().to_owned();
        name.push(end);
        // Mostly it is not there, which is what is wanted.
        let _ = fs::remove_file(name);
    }
}

/// How long all these records take into a fresh file in one transaction, in ms.
pub(super) fn copy_ms<'r>(path: &Path, records: impl Iterator<Item = (&'r [u8], &'r [u8])>) -> Result<f64, String> {
    Table::make(path, Synchronous::Full)?.insert(records)
}

/// The median time of one commit of one record of 500 bytes, in ms.
pub(super) fn commit_ms(path: &Path) -> Result<f64, String> {
    let table = Table::make(path, Synchronous::Full)?;
    let mut times = Vec::with_capacity(COMMITS);
    for n in 0..COMMITS {
        let mut bytes = [0; RECORD_BYTES];
        super::chance(&mut bytes);
        times.push(table.insert(std::iter::once((n.to_be_bytes().as_slice(), bytes.as_slice())))?);
    }
    times.sort_by(f64::total_cmp);
    times.get(COMMITS / 2).copied().ok_or_else(|| "nothing was committed".to_owned())
}
