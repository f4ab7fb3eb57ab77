//! A device's morning book from another device's: filling twenty books one after another is not what is measured.

use std::fs;
use std::path::Path;

use sync_core::store::{IDENTITY, Store};

use super::{about, open};

/// Makes the book at `to` a copy of the filled one at `from`, and leaves it its own identity: the device, person and keys with
/// which it was enrolled. Neither may be open.
///
/// # Errors
/// A sentence; the book at `to` may be gone then.
pub fn copy_morning(from: &Path, to: &Path) -> Result<(), String> {
    let own = open(to)?.identity().map_err(about(to))?.clone();
    let filled = open(from)?.identity().map_err(about(from))?.clone();
    if own.root.shop != filled.root.shop {
        return Err(format!("{} and {} are books of two shops", from.display(), to.display()));
    }
    // Both were closed just now, so what was in their logs is in the files.
    fs::copy(from, to).map_err(about(to))?;
    Store::open(to).and_then(|store| store.set_meta(&IDENTITY, &own)).map_err(about(to))
}
