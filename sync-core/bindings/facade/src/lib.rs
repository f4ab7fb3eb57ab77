//! The kit: one small face of the engine for whoever builds a phone's front end, the same in a browser and behind
//! native bindings. Holds no rule of the trade or of the book: it asks `sync-core`, and gives what `sync-core` says.
//!
//! What is absent: no HTTP (a [`Call`] says what to send, the answer's bytes come back in), no clock and no randomness
//! ([`Surroundings`] are handed in), no thread, no printing.
//!
//! The loop of a front end:
//!
//! 1. [`Kit::open_with_key`], or [`Kit::open`] where the platform keeps no keys; [`Kit::status`] says whether the book belongs to a
//!    shop, and how its private keys are kept.
//! 2. Enrol once: [`Kit::enrol_call`], send it, [`Kit::enrolled`].
//! 3. Exchange whenever there is signal: while [`Kit::needs_log_in`], [`Kit::log_in_call`] and [`Kit::logged_in`]; then
//!    [`Kit::exchange_call`] and [`Kit::exchanged`] for as long as the report says `more`; then [`Kit::verify_deferred`] and
//!    [`Kit::tidy`] when nobody waits.
//!    The bytes of photos then follow: [`Kit::photos_due`], [`Kit::photo_call`], [`Kit::photo_sent`].
//! 4. Look: [`Kit::round`], [`Kit::property`], [`Kit::machine`], [`Kit::contested`]. Draw anew what [`Kit::moved`] names.
//! 5. Work: show [`Kit::cautions`] and have them confirmed, [`Kit::open_visit`], then follow [`Kit::guide`]: [`Kit::trial`] leaf by
//!    leaf, [`Kit::take_reading`], [`Kit::read_hours`], [`Kit::add_finding`], [`Kit::finish_visit`].
//!
//! A book that does not open because it is damaged ([`KitError::is_damage`]): [`salvage`] saves what the shop has not got.
//!
//! A step that returns is kept: it survives a power cut. A step that fails has kept nothing.
//!
//! Results are the engine's own structures, which serialise to the JSON that the server gives for the same things.

#![deny(missing_docs)]

mod call;
mod error;
mod looking;
mod once;
mod own;
mod photos;
mod salvage;
mod shop;
mod working;

use std::path::Path;

use shared::caution::DEFERENCE;
use sync_core::book::Book;
use sync_core::commands::ActionContext;
use sync_core::crypto::storage_key::Access;
use sync_core::engine::BookError;
use sync_core::store::Store;
use sync_core::sys::clock::ClockReading;
use sync_core::sys::rng::CryptoRng;

pub use call::Call;
pub use error::KitError;
pub use looking::{KitStatus, Moved, Place, Stop};
pub use own::{Leaves, LengthRead};
pub use photos::KeptPhoto;
pub use salvage::{Salvaged, salvage, salvage_on};
pub use shop::LogIn;
pub use sync_core::crypto::storage_key::{KeysAtRest, StorageKey};

/// Time and chance of a device, handed in.
pub trait Surroundings: Send {
    /// What the device's clocks show now.
    fn now(&mut self) -> ClockReading;
    /// Fills a buffer with random bytes fit for keys.
    fn fill(&mut self, buffer: &mut [u8]);
}

/// An open book, and the device around it.
pub struct Kit {
    book: Book,
    around: Box<dyn Surroundings>,
    log_in: shop::Session,
}

impl std::fmt::Debug for Kit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Kit").field("book", &self.book).finish_non_exhaustive()
    }
}

/// The surroundings as a source of random bytes.
struct Chance<'a>(&'a mut dyn Surroundings);

impl CryptoRng for Chance<'_> {
    fn fill(&mut self, buffer: &mut [u8]) {
        self.0.fill(buffer);
    }
}

impl Kit {
    /// Opens the book at a path, making an empty one where there is none. The device's private keys lie in it as they are.
    ///
    /// # Errors
    /// [`KitError`] where the file is no book, is in use, or cannot be written; with the code `book-sealed`, having changed
    /// nothing, where its keys are sealed.
    pub fn open(path: &Path, around: Box<dyn Surroundings>) -> Result<Self, KitError> {
        Self::over(Store::open(path).map_err(BookError::from)?, around)
    }

    /// As [`Kit::open`], with the device's private keys sealed under a key that the platform's own store keeps. Those of a book
    /// that has them in the clear are sealed now, which writes the file anew once.
    ///
    /// It protects the two private keys in a copy of the file, a backup or a lost phone, from whoever lacks the storage key.
    /// It does not protect them from what runs as the same program, nor in memory while the book is open; what earlier copies
    /// and the flash beneath the file still hold it does not reach; and all else in the book, readings and names, is signed and
    /// not secret: it lies there as it is.
    ///
    /// # Errors
    /// As [`Kit::open`]; with the code `key-wrong`, having changed nothing, where the keys are sealed with another key.
    pub fn open_with_key(path: &Path, key: StorageKey, around: Box<dyn Surroundings>) -> Result<Self, KitError> {
        Self::over_with(Store::open(path).map_err(BookError::from)?, Access::With(key), around)
    }

    /// Opens the book at a path without its private keys: everything can be read, and what is not at the shop be saved
    /// ([`Kit::export_unsent`]). What would have to be signed is refused with the code `book-sealed`. For a book whose key is lost.
    ///
    /// # Errors
    /// [`KitError`] as [`Kit::open`], but for sealed keys.
    pub fn open_without_keys(path: &Path, around: Box<dyn Surroundings>) -> Result<Self, KitError> {
        Self::over_with(Store::open(path).map_err(BookError::from)?, Access::WithoutKeys, around)
    }

    /// As [`Kit::open`], on a file system of SQLite's that the caller has registered under a name.
    ///
    /// # Errors
    /// As [`Kit::open`].
    pub fn open_on(path: &Path, file_system: &str, around: Box<dyn Surroundings>) -> Result<Self, KitError> {
        Self::over(Store::open_on(path, file_system).map_err(BookError::from)?, around)
    }

    /// As [`Kit::open_with_key`], on a file system of SQLite's that the caller has registered under a name.
    ///
    /// # Errors
    /// As [`Kit::open_with_key`].
    pub fn open_on_with_key(path: &Path, file_system: &str, key: StorageKey, around: Box<dyn Surroundings>) -> Result<Self, KitError> {
        Self::over_with(Store::open_on(path, file_system).map_err(BookError::from)?, Access::With(key), around)
    }

    /// As [`Kit::open_without_keys`], on a file system of SQLite's that the caller has registered under a name.
    ///
    /// # Errors
    /// As [`Kit::open_without_keys`].
    pub fn open_on_without_keys(path: &Path, file_system: &str, around: Box<dyn Surroundings>) -> Result<Self, KitError> {
        Self::over_with(Store::open_on(path, file_system).map_err(BookError::from)?, Access::WithoutKeys, around)
    }

    /// A book in memory: gone when this is dropped. For tests, and for a look around.
    ///
    /// # Errors
    /// [`KitError`] where SQLite fails.
    pub fn in_memory(around: Box<dyn Surroundings>) -> Result<Self, KitError> {
        Self::over(Store::in_memory().map_err(BookError::from)?, around)
    }

    /// The kit over a store that is open already.
    ///
    /// # Errors
    /// [`KitError`] where the store fails.
    pub fn over(store: Store, around: Box<dyn Surroundings>) -> Result<Self, KitError> {
        Self::over_with(store, Access::InTheClear, around)
    }

    fn over_with(store: Store, access: Access, mut around: Box<dyn Surroundings>) -> Result<Self, KitError> {
        let book = Book::over_with(store, access, &mut Chance(&mut *around))?;
        Ok(Self { book, around, log_in: shop::Session::default() })
    }

    /// The engine's own face, for what the kit does not have. For reading.
    #[must_use]
    pub const fn book(&self) -> &Book {
        &self.book
    }

    /// Does a step of work with this device's clocks and randomness.
    fn by_hand<T>(&mut self, step: impl FnOnce(&mut Book, &mut ActionContext<'_>) -> Result<T, BookError>) -> Result<T, KitError> {
        let now = self.around.now();
        let mut chance = Chance(&mut *self.around);
        let mut hand = ActionContext { now, entropy: &mut chance, measured_by: None };
        Ok(step(&mut self.book, &mut hand)?)
    }
}

/// Whom the kit defers to. Shown with the cautions.
#[must_use]
pub const fn deference() -> &'static str {
    DEFERENCE
}
