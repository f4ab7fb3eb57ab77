//! How the store fails, in sentences that say what was kept.

use crate::change::segment_codec::SegmentError;

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

impl From<SegmentError> for StoreError {
    fn from(error: SegmentError) -> Self {
        Self::Damaged(error.to_string())
    }
}
