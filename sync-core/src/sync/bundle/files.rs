//! How documents become the files of a bundle: one, or several where one would be larger than a receiver reads.

use shared::ids::DocId;
use shared::wire::{BUNDLE, Bundle, BundledDoc, LARGEST_PLAIN, Recipe, ShortRecipe};

use crate::engine::BookError;
use crate::store::Identity;
use crate::sync::write_body;
use crate::sys::clock::ClockReading;

/// What a bundle says beside its documents, in bytes at most.
const HEAD: usize = 256;
/// What a document says beside its changes, in bytes at most.
const OF_A_DOC: usize = 64;
/// What a change says beside its records and what it builds on, in bytes at most: keys, hash, actor, three numbers.
const OF_A_CHANGE: usize = 192;
/// What a hash that a change builds on takes, and the head of a record, in bytes at most.
const OF_A_HASH: usize = 34;
const OF_A_RECORD: usize = 9;

/// A document with recipes that name everything.
pub(super) fn in_full(id: DocId, recipes: impl IntoIterator<Item = Recipe>) -> BundledDoc {
    BundledDoc { id, recipes: recipes.into_iter().map(ShortRecipe::from).collect() }
}

/// The bytes of the bundles that carry these documents. Each begins with what is common, by which the receiver judges the rest.
pub(super) fn written(
    identity: &Identity,
    common: Vec<BundledDoc>,
    others: Vec<BundledDoc>,
    now: &ClockReading,
) -> Result<Vec<Vec<u8>>, BookError> {
    let shop = identity.root.shop;
    let bundles = split(common, others, LARGEST_PLAIN - HEAD).into_iter().map(|mut docs| {
        docs.sort_by_key(|doc| doc.id != shop.roster());
        let bundle = Bundle { bundle: BUNDLE, shop, from: identity.device, made_at: now.wall_ms, docs };
        write_body(&bundle, true).map_err(|error| BookError::Message(error.to_string()))
    });
    bundles.collect()
}

/// What a change takes in a bundle, in bytes at most.
fn weight(recipe: &ShortRecipe) -> usize {
    let records: usize = recipe.records.iter().map(|record| record.0.len() + OF_A_RECORD).sum();
    OF_A_CHANGE + recipe.deps.as_ref().map_or(0, |deps| deps.len() * OF_A_HASH) + records
}

/// What documents take in a bundle, in bytes at most.
fn weight_of(docs: &[BundledDoc]) -> usize {
    docs.iter().map(|doc| OF_A_DOC + doc.recipes.iter().map(weight).sum::<usize>()).sum()
}

/// Documents for bundles of so many bytes: each begins with what is common. A document that goes on in the next bundle is in order, so
/// that nothing lacks what it builds on. Where what is common leaves no room, the first bundles are of it alone.
fn split(common: Vec<BundledDoc>, others: Vec<BundledDoc>, room: usize) -> Vec<Vec<BundledDoc>> {
    let (mut bundles, again) = if weight_of(&common) * 2 > room { (filled(&[], common, room), Vec::new()) } else { (Vec::new(), common) };
    bundles.extend(filled(&again, others, room));
    if bundles.is_empty() { vec![again] } else { bundles }
}

/// Fills bundles, each from this beginning, up to a size. A change that alone is larger still has its bundle.
fn filled(beginning: &[BundledDoc], docs: Vec<BundledDoc>, room: usize) -> Vec<Vec<BundledDoc>> {
    let at_first = weight_of(beginning);
    let mut bundles: Vec<Vec<BundledDoc>> = Vec::new();
    let mut bytes = 0;
    for BundledDoc { id, recipes } in docs {
        // A list of recipes is read as a whole, so two lists of one document stay two.
        let mut begun = false;
        for recipe in recipes {
            let more = |begun: bool| weight(&recipe) + if begun { 0 } else { OF_A_DOC };
            if bundles.is_empty() || bytes + more(begun) > room {
                bundles.push(beginning.to_vec());
                (bytes, begun) = (at_first, false);
            }
            bytes += more(begun);
            let Some(bundle) = bundles.last_mut() else { continue };
            match bundle.last_mut().filter(|_| begun) {
                Some(doc) => doc.recipes.push(recipe),
                None => bundle.push(BundledDoc { id, recipes: vec![recipe] }),
            }
            begun = true;
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
            start_op: u64::MAX,
            deps: vec![Bytes32([id; 32]); n % 3],
            time: i64::MIN,
            records: vec![Blob(vec![id; 72]); n % 4],
        };
        in_full(DocId::from_bytes([id; 16]), (1..=changes).map(recipe))
    }

    /// Every change once, in order; what is common in front; no bundle beyond its room unless one change alone is.
    #[test]
    fn what_is_too_much_for_one_bundle_goes_into_several() {
        for room in (100..5_000).step_by(100) {
            for (commons, sizes) in [(1, vec![5, 1, 0, 9]), (2, vec![]), (3, vec![1]), (0, vec![20])] {
                let common = vec![doc(1, commons)];
                let others: Vec<_> = sizes.iter().zip(2..).map(|(changes, id)| doc(id, *changes)).collect();
                let bundles = split(common.clone(), others.clone(), room);
                let changes = |docs: &[BundledDoc], common: bool| -> usize {
                    docs.iter().filter(|doc| common || doc.id != DocId::from_bytes([1; 16])).map(|doc| doc.recipes.len()).sum()
                };
                let alone = |docs: &[BundledDoc]| changes(docs, false) == 1 || changes(docs, true) <= 1;
                assert!(bundles.iter().all(|docs| weight_of(docs) <= room || alone(docs)), "{room}");
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

    #[test]
    fn what_is_written_is_no_larger_than_it_was_reckoned() {
        for changes in 0..40 {
            let docs = vec![doc(1, changes), doc(2, 1)];
            let reckoned = HEAD + weight_of(&docs);
            let (shop, from) = (shared::ids::ShopId::from_bytes([3; 16]), shared::ids::DeviceId::from_bytes([4; 16]));
            let bundle = Bundle { bundle: BUNDLE, shop, from, made_at: i64::MAX, docs };
            let plain = write_body(&bundle, false).unwrap().len();
            assert!(plain <= reckoned && reckoned < plain * 2 + 512, "{plain} bytes, reckoned as {reckoned}");
        }
    }

    #[test]
    fn two_lists_of_one_document_stay_two() {
        let bundles = split(vec![], vec![doc(2, 3), doc(2, 1), doc(2, 1)], 10_000);
        assert_eq!(bundles, [[doc(2, 3), doc(2, 1), doc(2, 1)]]);
    }
}
