//! Our exchange on the workload of `tests/peers`: one fleet, its history, and what twenty devices bring at day's end. Here is
//! what each side does; the peers' own harness starts the processes, counts the bytes and reads the clocks.

mod bare;
mod cold;
mod device;
mod history;
mod line;
mod listener;
mod morning;
mod seed;
mod serving;
mod sizes;
mod stopwatch;
mod talk;
mod workload;

pub use cold::{Cold, cold};
pub use device::{Device, DeviceConfig, Did};
pub use morning::copy_morning;
pub use seed::{Seeded, seed};
pub use serving::{config, serve_until_told};
pub use sizes::{Sizes, sizes};
pub use stopwatch::{ShiftedClock, Stopwatch};
pub use talk::talk;

use std::fmt::Display;
use std::path::{Path, PathBuf};

use sync_core::book::Book;

/// Random bytes of the system.
pub fn chance(buffer: &mut [u8]) {
    // Weak keys would prove nothing here; a system without random bytes is no place for a measurement.
    assert!(getrandom::fill(buffer).is_ok(), "the system gives no random bytes");
}

/// Any error as the sentence that it says.
fn words(error: impl Display) -> String {
    error.to_string()
}

/// Any error as a sentence that begins with the file it is about.
fn about<E: Display>(path: &Path) -> impl FnOnce(E) -> String + '_ {
    move |error| format!("{}: {error}", path.display())
}

/// The files of one run.
#[derive(Debug, Clone)]
pub struct Work(PathBuf);

impl Work {
    /// A run's files in a folder.
    #[must_use]
    pub fn new(folder: impl Into<PathBuf>) -> Self {
        Self(folder.into())
    }

    /// The folder that the server serves.
    #[must_use]
    pub fn shop(&self) -> PathBuf {
        self.0.join("shop")
    }

    /// The shop's book.
    #[must_use]
    pub fn shop_book(&self) -> PathBuf {
        self.shop().join("shop.db")
    }

    /// The folder of the devices' books.
    #[must_use]
    pub fn devices(&self) -> PathBuf {
        self.0.join("devices")
    }

    /// A device's book, by the workload's number of it.
    #[must_use]
    pub fn device_book(&self, number: usize) -> PathBuf {
        self.devices().join(format!("dev-{number:02}.db"))
    }

    /// The office's book.
    #[must_use]
    pub fn office_book(&self) -> PathBuf {
        self.devices().join("office.db")
    }

    /// What the seeding left word of.
    #[must_use]
    pub fn seeded(&self) -> PathBuf {
        self.0.join("seed.json")
    }

    /// A plain SQLite file to compare with.
    #[must_use]
    pub fn bare(&self) -> PathBuf {
        self.0.join("bare.db")
    }
}

/// Opens a book.
fn open(path: &Path) -> Result<Book, String> {
    Book::open(path, &mut chance).map_err(about(path))
}

/// What is wrong with a book: nothing, where it is as its rebuild.
///
/// # Errors
/// A sentence where it cannot even be read.
pub fn verify(path: &Path) -> Result<Vec<String>, String> {
    Ok(open(path)?.verify().map_err(about(path))?.faults)
}
