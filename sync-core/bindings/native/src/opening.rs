//! Opening the book: with the key that the platform keeps for it, without one, and without its private keys; and saving what one has
//! that does not open.

use std::path::Path;
use std::sync::Arc;

use tappet_kit::{Kit, KitError, StorageKey};
use zeroize::Zeroizing;

use crate::device::Device;
use crate::error::TappetError;
use crate::kit::TappetKit;
use crate::plain::Salvaged;

#[uniffi::export]
impl TappetKit {
    /// Opens the book at a path, making an empty one where there is none. The device's private keys lie in it as they are: where the
    /// platform has a store for keys, use `open_with_key`.
    ///
    /// # Errors
    /// With the code `book-in-use` where another program has it open; `book-sealed`, having changed nothing, where its keys are
    /// sealed; others where it is no book or cannot be written.
    #[uniffi::constructor]
    pub fn open(path: &str) -> Result<Arc<Self>, TappetError> {
        Ok(Self::around(Kit::open(Path::new(path), Box::new(Device::new()?))?))
    }

    /// As `open`, with the device's private keys sealed under a storage key: 32 random bytes that the app makes once, and keeps in
    /// the platform's own store for keys before it opens the book with them. Keys that a book has in the clear are sealed now.
    ///
    /// # Errors
    /// As `open`; `key-wrong`, having changed nothing, where the keys are sealed with another key; `given-unreadable` where it has
    /// not 32 bytes.
    #[uniffi::constructor]
    pub fn open_with_key(path: &str, key: Vec<u8>) -> Result<Arc<Self>, TappetError> {
        // The copy that was handed over is wiped as well. The other language's own is the app's to wipe.
        let key = Zeroizing::new(key);
        let key = StorageKey::try_from(key.as_slice()).map_err(|e| KitError::Given(e.to_string()))?;
        Ok(Self::around(Kit::open_with_key(Path::new(path), key, Box::new(Device::new()?))?))
    }

    /// Opens the book without its private keys, for one whose storage key is lost: everything can be read, and `save_unsent` works.
    /// What would have to be signed is refused with the code `book-sealed`.
    ///
    /// # Errors
    /// As `open`, but for sealed keys.
    #[uniffi::constructor]
    pub fn open_without_keys(path: &str) -> Result<Arc<Self>, TappetError> {
        Ok(Self::around(Kit::open_without_keys(Path::new(path), Box::new(Device::new()?))?))
    }

    /// A book in memory, gone with this object: for tests, and for a look around.
    ///
    /// # Errors
    /// Where SQLite fails.
    #[uniffi::constructor]
    pub fn in_memory() -> Result<Arc<Self>, TappetError> {
        Ok(Self::around(Kit::in_memory(Box::new(Device::new()?))?))
    }
}

/// Of a book that does not open because it is damaged (`not-a-book`, `book-damaged`), what can still be read and is not at the shop, with
/// what waits in quarantine: as bundles that the office or another device of the shop takes in. Needs no storage key; the file stays as it
/// is.
///
/// # Errors
/// As `TappetKit.open`, where not even whose book it is can be read.
#[uniffi::export]
pub fn salvage(path: &str) -> Result<Salvaged, TappetError> {
    Ok(tappet_kit::salvage(Path::new(path), &mut Device::new()?)?.into())
}
