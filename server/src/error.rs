//! Why a server does not start, in a sentence.

use std::net::SocketAddr;
use std::path::PathBuf;

use sync_core::book::backup::RestoreError;
use sync_core::engine::BookError;
use sync_core::store::BackupError;

/// Why a server does not start.
#[derive(Debug, thiserror::Error)]
pub enum ServerError {
    /// What it was told cannot be.
    #[error("{0} Nothing was started")]
    Config(String),
    /// The address cannot be listened on.
    #[error("{address} cannot be listened on ({source}), and nothing was started. Stop what holds it, or choose another with --listen")]
    Address {
        /// Which.
        address: SocketAddr,
        /// Why.
        source: std::io::Error,
    },
    /// The folder cannot be made or read.
    #[error("the folder {} cannot be made or read ({source}), and nothing was started. Choose another with --data", folder.display())]
    Folder {
        /// Which.
        folder: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A folder of the book's that others can get at, and that is not the book's alone to close.
    #[error("the folder {} is open to other accounts of this computer (mode {mode:03o}) and holds more than the book, so it was left as it is, and nothing was started. chmod 700 it, or choose another with --data", folder.display())]
    OpenFolder {
        /// Which.
        folder: PathBuf,
        /// Its rights.
        mode: u32,
    },
    /// A file of the book's that others can get at, and that cannot be closed to them.
    #[error("{} is open to other accounts of this computer and cannot be closed to them ({source}), and nothing was started. chmod 600 it", file.display())]
    OpenFile {
        /// Which.
        file: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A certificate or its key cannot be used.
    #[error("the TLS file {} cannot be used ({why}), and nothing was started. Check --tls-cert and --tls-key", file.display())]
    Tls {
        /// Which.
        file: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// There is no book to verify.
    #[error("there is no shop's book at {}; nothing was made there. Check --data", .0.display())]
    NoBook(PathBuf),
    /// The book cannot be opened.
    #[error("the shop's book cannot be opened: {0}")]
    Book(#[from] BookError),
    /// No backup was made.
    #[error(transparent)]
    Backup(#[from] BackupError),
    /// No shop was put back, or a backup cannot be looked at.
    #[error(transparent)]
    Restore(#[from] RestoreError),
    /// The operating system gives no random bytes, and without them no key can be made.
    #[error("this computer gives no random bytes ({0}), and nothing was started")]
    Chance(String),
    /// The server itself broke.
    #[error("the server broke ({0}), and nothing is served. What it had kept is kept. Please report it")]
    Broke(String),
}
