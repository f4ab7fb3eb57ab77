//! Saving what a damaged book has alone. The book need not open for it, so there is no [`Kit`](crate::Kit).

use std::path::Path;

use sync_core::sync::bundle;

use crate::Surroundings;
use crate::error::KitError;

/// What was saved of a damaged book.
pub use bundle::Salvaged;

/// Of a book that does not open because it is damaged ([`KitError::is_damage`]), what can still be read and is not at the shop, with what
/// waits in quarantine: as bundles that the office or another device of the shop takes in. Needs no keys; the file stays as it is.
///
/// # Errors
/// [`KitError`] where not even whose book it is can be read.
pub fn salvage(path: &Path, around: &mut dyn Surroundings) -> Result<Salvaged, KitError> {
    Ok(bundle::salvage(path, &around.now())?)
}

/// As [`salvage`], on a file system of SQLite's that the caller has registered under a name.
///
/// # Errors
/// As [`salvage`].
pub fn salvage_on(path: &Path, file_system: &str, around: &mut dyn Surroundings) -> Result<Salvaged, KitError> {
    Ok(bundle::salvage_on(path, file_system, &around.now())?)
}
