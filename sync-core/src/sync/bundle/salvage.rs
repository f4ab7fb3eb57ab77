//! What a damaged book has alone, as bundles that another device of the shop takes in.

use std::path::Path;

use shared::ids::DocId;
use shared::wire::{BundledDoc, LARGEST_PLAIN, Recipe, ShortRecipe};

use super::{weight, written};
use crate::engine::BookError;
use crate::store::{Salvage, Store};
use crate::sys::clock::ClockReading;

/// What was saved of a damaged book.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Salvaged {
    /// Bundles, for another device of the shop to take in, one after the other. There is one, unless it would be too large.
    pub bundles: Vec<Vec<u8>>,
    /// Documents in them, beside the roster and the engines.
    pub documents: usize,
    /// Changes in them that the shop is not known to hold.
    pub changes: usize,
    /// Parts of the log that cannot be read.
    pub unreadable: usize,
}

/// Of a book that does not open any more, what can still be read and is not at the shop. `path` is a copy of its file and of the log
/// beside it: SQLite may tidy what it opens.
///
/// # Errors
/// The store, where not even whose book it is can be read.
pub fn salvage(path: &Path, now: &ClockReading) -> Result<Salvaged, BookError> {
    let Salvage { identity, changes, unsent, unreadable } = Store::salvage(path)?;
    let shop = identity.root.shop;
    let is_common = |doc: &DocId| [shop.roster(), shop.engines()].contains(doc);
    let (common, others): (Vec<_>, Vec<_>) = changes.into_iter().partition(|(doc, _)| is_common(doc));
    let documents = others.len();
    let split = split(in_short(common), in_short(others), LARGEST_PLAIN);
    let bundles: Result<Vec<_>, BookError> = split.into_iter().map(|docs| written(&identity, docs, now)).collect();
    Ok(Salvaged { bundles: bundles?, documents, changes: unsent, unreadable })
}

fn in_short(changes: Vec<(DocId, Vec<Recipe>)>) -> Vec<BundledDoc> {
    let short = |recipes: Vec<Recipe>| recipes.into_iter().map(ShortRecipe::from).collect();
    changes.into_iter().map(|(id, recipes)| BundledDoc { id, recipes: short(recipes) }).collect()
}

/// Documents for bundles of so many bytes: each begins with what is common, by which the receiver judges the rest. A document that
/// goes on in the next bundle is in order, so that nothing lacks what it builds on. Where what is common leaves no room, the first
/// bundles are of it alone.
fn split(common: Vec<BundledDoc>, others: Vec<BundledDoc>, room: usize) -> Vec<Vec<BundledDoc>> {
    let of_common: usize = common.iter().map(|doc| weight(&doc.recipes)).sum();
    let (mut bundles, again) = if of_common * 2 > room { (filled(&[], common, room), Vec::new()) } else { (Vec::new(), common) };
    bundles.extend(filled(&again, others, room));
    if bundles.is_empty() { vec![again] } else { bundles }
}

/// Fills bundles, each from this beginning, up to a size. A change that alone is larger still has its bundle.
fn filled(beginning: &[BundledDoc], docs: Vec<BundledDoc>, room: usize) -> Vec<Vec<BundledDoc>> {
    let at_first: usize = beginning.iter().map(|doc| weight(&doc.recipes)).sum();
    let mut bundles: Vec<Vec<BundledDoc>> = Vec::new();
    let mut bytes = 0;
    for BundledDoc { id, recipes } in docs {
        for recipe in recipes {
            let more = weight(std::slice::from_ref(&recipe));
            if bundles.is_empty() || bytes + more > room {
                bundles.push(beginning.to_vec());
                bytes = at_first;
            }
            bytes += more;
            let Some(bundle) = bundles.last_mut() else { continue };
            match bundle.last_mut() {
                Some(doc) if doc.id == id => doc.recipes.push(recipe),
                _ => bundle.push(BundledDoc { id, recipes: vec![recipe] }),
            }
        }
    }
    bundles
}

#[cfg(test)]
mod tests {
    use shared::bytes::{Blob, Bytes16, Bytes32};

    use super::*;

    fn doc(id: u8, changes: usize) -> BundledDoc {
        let recipe = |n: usize| Recipe {
            hash: Bytes32([id; 32]),
            actor: Bytes16([id; 16]),
            seq: n as u64,
            start_op: n as u64,
            deps: vec![],
            time: 0,
            records: vec![Blob(vec![id; 72])],
        };
        BundledDoc { id: DocId::from_bytes([id; 16]), recipes: (1..=changes).map(recipe).map(ShortRecipe::from).collect() }
    }

    /// Every change once, in order; what is common in front; no bundle beyond its room unless one change alone is.
    #[test]
    fn what_is_too_much_for_one_bundle_goes_into_several() {
        // A change weighs 200.
        for room in (100..3_000).step_by(100) {
            for (commons, sizes) in [(1, vec![5, 1, 0, 9]), (2, vec![]), (3, vec![1]), (0, vec![20])] {
                let common = vec![doc(1, commons)];
                let others: Vec<_> = sizes.iter().zip(2..).map(|(changes, id)| doc(id, *changes)).collect();
                let bundles = split(common.clone(), others.clone(), room);
                let total = |docs: &[BundledDoc]| docs.iter().map(|doc| weight(&doc.recipes)).sum::<usize>();
                assert!(bundles.iter().all(|docs| total(docs) <= room.max(200)), "{room}");
                let carried = |docs: &[Vec<BundledDoc>], id: DocId| -> Vec<ShortRecipe> {
                    docs.iter().flatten().filter(|doc| doc.id == id).flat_map(|doc| doc.recipes.clone()).collect()
                };
                for whole in &others {
                    assert_eq!(carried(&bundles, whole.id), whole.recipes, "{room}");
                }
                let whole = &common[0];
                let in_each = bundles.iter().all(|bundle| carried(std::slice::from_ref(bundle), whole.id) == whole.recipes);
                assert!(in_each || carried(&bundles, whole.id) == whole.recipes, "{room}: in front of each, or once before all");
            }
        }
    }
}
