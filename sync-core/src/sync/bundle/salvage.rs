//! What a damaged book has alone, as bundles that another device of the shop takes in.

use std::path::Path;

use shared::bytes::Blob;
use shared::ids::DocId;
use shared::wire::{BundledDoc, ShortRecipe};

use super::files::{in_full, written};
use crate::engine::BookError;
use crate::store::{Salvage, Store};
use crate::sys::clock::ClockReading;

/// What was saved of a damaged book.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Salvaged {
    /// Bundles, for another device of the shop to take in, one after the other. There is one, unless it would be too large; none where
    /// there is nothing to save.
    pub bundles: Vec<Vec<u8>>,
    /// Documents in them, beside the roster and the engines.
    pub documents: usize,
    /// Changes in them that the shop is not known to hold.
    pub changes: usize,
    /// Records in them that waited in quarantine.
    pub quarantined: usize,
    /// Parts of the log, and records in quarantine, that cannot be read.
    pub unreadable: usize,
}

/// Of a book that does not open any more, what can still be read and is not at the shop, and what waits in quarantine. The file is left
/// as it is, but for what SQLite finishes of a step that was cut off.
///
/// # Errors
/// The store, where not even whose book it is can be read.
pub fn salvage(path: &Path, now: &ClockReading) -> Result<Salvaged, BookError> {
    bundled(Store::salvage(path)?, now)
}

/// As [`salvage`], on a file system of SQLite's that the caller registered under a name.
///
/// # Errors
/// As [`salvage`].
pub fn salvage_on(path: &Path, file_system: &str, now: &ClockReading) -> Result<Salvaged, BookError> {
    bundled(Store::salvage_on(path, file_system)?, now)
}

fn bundled(saved: Salvage, now: &ClockReading) -> Result<Salvaged, BookError> {
    let Salvage { identity, changes, unsent, quarantined, unreadable } = saved;
    let shop = identity.root.shop;
    let nothing = unsent + quarantined.len() == 0;
    let docs = changes.into_iter().map(|(doc, recipes)| in_full(doc, recipes));
    let (common, mut others): (Vec<_>, Vec<_>) = docs.partition(|doc| [shop.roster(), shop.engines()].contains(&doc.id));
    let documents = others.len();
    // After the changes: what was refused may be good where these are.
    others.extend(quarantined.iter().map(|(doc, bytes)| in_no_change(*doc, bytes)));
    Ok(Salvaged {
        bundles: if nothing { Vec::new() } else { written(&identity, common, others, now)? },
        documents,
        changes: unsent,
        quarantined: quarantined.len(),
        unreadable,
    })
}

/// A record that is in no change. A list whose first recipe names no actor makes none, and the receiver judges its records one by one.
fn in_no_change(id: DocId, bytes: &[u8]) -> BundledDoc {
    let loose =
        ShortRecipe { hash: None, actor: None, seq: None, start_op: None, deps: None, time: None, records: vec![Blob(bytes.to_vec())] };
    BundledDoc { id, recipes: vec![loose] }
}
