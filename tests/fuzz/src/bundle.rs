//! A bundle from another truck: whatever comes, nothing that was in the receiver's book is lost, and nothing is taken for ever.

use std::cell::OnceCell;

use shared::bytes::Bytes32;
use shared::ids::{DeviceId, RecordId};
use shared::wire::{Bundle, BundledDoc};
use sync_core::crypto::envelope;
use sync_core::sync::{read_body, write_body};

use super::ground::{self, InTheYard, Looks};
use super::mutate;
use super::script::Script;

/// The ground, the bundle as it came, and the records that wait on the receiver's device.
struct Ground {
    yard: InTheYard,
    bundle: Bundle,
    own: Vec<(RecordId, Vec<u8>)>,
}

thread_local! {
    static GROUND: OnceCell<Ground> = const { OnceCell::new() };
}

fn ground() -> Ground {
    let yard = ground::in_the_yard();
    let unsent = yard.template.fresh().store().outbox().unsent(i64::MAX).expect("rows");
    let records = unsent.into_iter().flat_map(|change| change.recipe.records);
    let own: Vec<_> = records.map(|bytes| (envelope::decode_unverified(&bytes.0).expect("its own record").record.id, bytes.0)).collect();
    assert!(!own.is_empty(), "the ground has nothing to lose");
    Ground { bundle: read_body(&yard.bundle, true).expect("a bundle"), yard, own }
}

/// The first byte says how the rest is meant: as a file, as what a file unpacks to, or as edits of a real bundle.
pub fn once(bytes: &[u8]) {
    tried(bytes, Looks::ALWAYS);
}

/// The same with a look at the whole book after one input in sixteen: for the fuzzers, which have more to do.
pub fn quickly(bytes: &[u8]) {
    tried(bytes, Looks::seldom(bytes));
}

fn tried(bytes: &[u8], looks: Looks) {
    let Some((how, rest)) = bytes.split_first() else { return };
    GROUND.with(|kept| {
        let ground = kept.get_or_init(ground);
        match how % 4 {
            0 => taken(ground, rest, 0, looks),
            1 => {
                if let Ok(bundle) = read_body::<Bundle>(rest, false) {
                    taken_as_written(ground, &bundle, looks);
                }
            }
            _ => taken_as_written(ground, &edited(ground, &mut Script::of(rest)), looks),
        }
    });
}

fn taken_as_written(ground: &Ground, bundle: &Bundle, looks: Looks) {
    let changes = bundle.docs.iter().map(|doc| doc.recipes.len()).sum();
    if let Ok(bytes) = write_body(bundle, true) {
        taken(ground, &bytes, changes, looks);
    }
}

/// A first corpus: the real bundle, packed and not; and one edit of each kind in each document.
#[must_use]
pub fn seeds() -> Vec<Vec<u8>> {
    let packed = ground::in_the_yard().bundle;
    let bundle: Bundle = read_body(&packed, true).expect("a bundle");
    let plain = write_body(&bundle, false).expect("a body");
    let mut seeds = vec![[&[0], packed.as_slice()].concat(), [&[1], plain.as_slice()].concat(), vec![2]];
    for doc in 0..u8::try_from(bundle.docs.len()).unwrap_or(u8::MAX) {
        seeds.extend((0..10).map(|edit| vec![2, edit, doc, 0, 12, 0, 0, 5, 3, 4, 7, 0, 1]));
        seeds.extend((0..14).map(|edit| vec![2, 9, doc, 1, edit, 0, 0, 5, 3, 4]));
    }
    seeds
}

fn edited(ground: &Ground, script: &mut Script<'_>) -> Bundle {
    let mut bundle = ground.bundle.clone();
    let hashes: Vec<Bytes32> = bundle.docs.iter().flat_map(|doc| &doc.recipes).filter_map(|recipe| recipe.hash).collect();
    let mut fitted = true;
    while !script.is_done() {
        let edit = script.byte() % 12;
        let count = bundle.docs.len();
        let n = script.pick(count);
        match edit {
            0 => fitted = !fitted,
            1 => bundle.made_at = script.number(),
            2 => bundle.from = DeviceId::from_bytes(script.array()),
            3 => bundle.docs.push(BundledDoc { id: ground.yard.signers[0].shop.engines(), recipes: Vec::new() }),
            4 => bundle = mutate::message(bundle, script),
            _ if count == 0 => {}
            5 => drop(bundle.docs.remove(n)),
            6 => {
                let again = bundle.docs[n].clone();
                bundle.docs.push(again);
            }
            7 => bundle.docs[n].id = bundle.docs[script.pick(count)].id,
            8 => bundle.docs.swap(n, 0),
            _ => mutate::recipes(bundle.docs[n].id, &mut bundle.docs[n].recipes, &hashes, &ground.yard.signers, script),
        }
    }
    if fitted {
        for doc in &mut bundle.docs {
            mutate::refit(doc.id, &mut doc.recipes);
        }
    }
    bundle
}

fn taken(ground: &Ground, bytes: &[u8], changes: usize, looks: Looks) {
    let now = ground.yard.now;
    let mut book = ground.yard.template.fresh();
    let log_end = |book: &sync_core::book::Book| book.store().log().log_end().expect("the log");
    let mut end = log_end(&book);
    let mut rounds = 0;
    loop {
        let result = book.peer().take_bundle(bytes, &now);
        if result.is_err() {
            assert_eq!(log_end(&book), end, "what was refused as a whole has kept something");
        }
        let before = std::mem::replace(&mut end, log_end(&book));
        if end == before {
            break;
        }
        // Out of order, one change at least finds what it builds on with each time that the bundle is taken.
        rounds += 1;
        assert!(rounds <= changes + 1 || changes == 0 && rounds <= 4_096, "the same bundle is taken in again and again");
    }
    for (id, bytes) in &ground.own {
        let held = book.store().records().held(*id).expect("a row").is_some_and(|held| held.bytes == *bytes);
        assert!(held, "a record that was in the book is gone");
    }
    looks.at(&book, &now);
    let offer = book.outgoing().offer(&now).expect("an offer");
    write_body(&offer, true).expect("a body");
}
