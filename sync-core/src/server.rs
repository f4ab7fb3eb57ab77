//! The book of a shop as its server shares it among requests: one book behind one lock, read by some and written by others, with what
//! lies beside its file.
//!
//! What is read and written are the functions of [`Book`]: this room has only what must not hold the book for long.

use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard};

use shared::ids::PersonId;

use crate::book::Book;
use crate::book::backup::{self, BACKUPS, BackupLine, backup_name, backups_in, copy_pictures};
use crate::book::enrol::Founding;
use crate::book::pictures::{PHOTOS, Pictures, private_folder};
use crate::engine::BookError;
use crate::queries::{HoursRow, ReadingRow, RowOf, RowPlace, Rows, Table, hours_row, reading_row};
use crate::store::BackupError;
use crate::sys::clock::ClockReading;
use crate::sys::rng::CryptoRng;

/// Source of randomness that a server hands over for good.
pub type OwnedRng = Box<dyn CryptoRng + Send>;

/// A shop's book in one SQLite file, shared.
#[expect(missing_debug_implementations, reason = "it holds a source of randomness")]
pub struct SharedBook {
    inner: Mutex<(Book, OwnedRng)>,
    /// Folder of the backups, beside the file.
    backups: PathBuf,
    /// The bytes of photos, beside the file.
    pictures: Pictures,
}

/// What opening a shop's book gave.
#[expect(missing_debug_implementations, reason = "it holds a source of randomness")]
pub struct OpenedShop {
    /// The book.
    pub shop: SharedBook,
    /// Where it was founded just now: the first office person's one-time code. Never shown again.
    pub first_code: Option<String>,
}

impl SharedBook {
    /// Opens the shop in a file, founding it where there is none.
    ///
    /// # Errors
    /// [`BookError`] where the file is no book, is in use, is a device's, or cannot be written.
    pub fn open(path: &Path, founding: &Founding, now: &ClockReading, mut entropy: OwnedRng) -> Result<OpenedShop, BookError> {
        let mut book = Book::open(path, &mut *entropy)?;
        let first_code = match book.identity() {
            Ok(identity) if identity.is_shop() => None,
            Ok(_) => return Err(BookError::Unknown("this file is a device's book, not a shop's".to_owned())),
            Err(_) => Some(book.found_shop(founding, now, &mut *entropy)?),
        };
        // A disk too full to rewrite the file is no reason not to serve.
        let _ = book.upkeep().vacuum();
        Ok(OpenedShop { shop: Self::over(book, entropy, path), first_code })
    }

    /// Shares a shop's book that is open already. Backups and pictures lie beside the `path`.
    pub fn over(book: Book, entropy: OwnedRng, path: &Path) -> Self {
        let pictures = Pictures::of_shop(path);
        pictures.sweep();
        Self { inner: Mutex::new((book, entropy)), backups: path.with_file_name(BACKUPS), pictures }
    }

    /// Reads in the book. It is held for so long: what is made of the answer is made outside.
    pub fn read<T>(&self, look: impl FnOnce(&Book) -> T) -> T {
        look(&self.lock().0)
    }

    /// Writes in the book. It is held for so long.
    pub fn write<T>(&self, step: impl FnOnce(&mut Book, &mut dyn CryptoRng) -> T) -> T {
        let (book, entropy) = &mut *self.lock();
        step(book, &mut **entropy)
    }

    /// The bytes of photos. The book is not held for them.
    pub const fn pictures(&self) -> &Pictures {
        &self.pictures
    }

    /// Makes a backup among the shop's own. Only the copying holds the book: it is proved and brought to the disk while exchanges
    /// go on.
    ///
    /// # Errors
    /// [`BackupError`]; no file is left then.
    pub fn backup(&self, now: &ClockReading) -> Result<BackupLine, BackupError> {
        private_folder(&self.backups).map_err(|why| BackupError::Unwritable { path: self.backups.clone(), why: why.to_string() })?;
        let name = backup_name(now);
        let draft = self.lock().0.upkeep().copy_for(&self.backups.join(&name))?;
        let made = backup::keep(draft)?;
        copy_pictures(&self.pictures, &Pictures::at(self.backups.join(PHOTOS)))?;
        Ok(BackupLine { made_ms: now.wall_ms, name, bytes: made.bytes })
    }

    /// The shop's backups, newest first.
    ///
    /// # Errors
    /// [`BackupError`] where their folder cannot be read.
    pub fn backups(&self) -> Result<Vec<BackupLine>, BackupError> {
        backups_in(&self.backups)
    }

    /// The clearance readings open to a person, behind a place; as many as a table takes.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn readings(&self, person: PersonId, after: Option<RowPlace>) -> Result<Rows<ReadingRow>, BookError> {
        self.table(person, after, reading_row)
    }

    /// The hour-meter readings open to a person, behind a place; as many as a table takes.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn hours(&self, person: PersonId, after: Option<RowPlace>) -> Result<Rows<HoursRow>, BookError> {
        self.table(person, after, hours_row)
    }

    /// Fills a table one machine after another, and lets go of the book between two: exchanges do not wait for the whole of it.
    fn table<T>(&self, person: PersonId, after: Option<RowPlace>, of: RowOf<T>) -> Result<Rows<T>, BookError> {
        let machines = self.read(|book| book.store.machine_rows().tags())?;
        let mut table = Table::after(after);
        for machine in &machines {
            if table.is_full() {
                break;
            }
            self.read(|book| table.add(book, person, machine, of))?;
        }
        Ok(table.done())
    }

    /// After a step that panicked, the book first comes back to what is kept.
    fn lock(&self) -> MutexGuard<'_, (Book, OwnedRng)> {
        match self.inner.lock() {
            Ok(guard) => guard,
            Err(poisoned) => {
                let mut guard = poisoned.into_inner();
                // Where even that fails the store says so again at the step that follows.
                if guard.0.recover().is_ok() {
                    self.inner.clear_poison();
                }
                guard
            }
        }
    }
}
