//! A device's half of the exchange, as the shop meets it: body, gate, store, answer.

use std::cell::OnceCell;
use std::collections::BTreeSet;

use shared::bytes::Bytes32;
use shared::wire::{ExchangeAnswer, ExchangeRequest};
use sync_core::book::Book;
use sync_core::store::Store;
use sync_core::sync::{BodyError, read_body, write_body};

use super::ground::{self, AtShop, Looks, dice};
use super::mutate;
use super::script::Script;

thread_local! {
    static GROUND: OnceCell<AtShop> = const { OnceCell::new() };
}

/// The first byte says how the rest is meant: as a body, as a compressed body, or as edits of a real request.
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
        let ground = kept.get_or_init(ground::at_shop);
        let who = usize::from(how >> 2) % ground.offers.len();
        let request = match how & 3 {
            0 => read_body::<ExchangeRequest>(rest, false),
            1 => read_body::<ExchangeRequest>(rest, true),
            _ => Ok(edited(ground, who, &mut Script::of(rest))),
        };
        if let Ok(request) = request {
            answered(ground, who, &request, looks);
        }
    });
}

/// A body of each shape that travels, for a first corpus: the real requests, plain and compressed, and edits of them.
pub fn seeds() -> Vec<Vec<u8>> {
    let ground = ground::at_shop();
    let mut seeds = Vec::new();
    for (who, offer) in (0_u8..).zip(&ground.offers) {
        for (how, compressed) in [(0, false), (1, true)] {
            let body = write_body(offer, compressed).expect("a body");
            seeds.push([&[who << 2 | how], body.as_slice()].concat());
        }
        seeds.push(vec![who << 2 | 2]);
        seeds.extend((0..20).map(|edit| vec![who << 2 | 2, 1, 0, edit, 0, 5, 3, 4, 7, 0, 1]));
    }
    seeds
}

fn edited(ground: &AtShop, who: usize, script: &mut Script<'_>) -> ExchangeRequest {
    let mut request = ground.offers[who].clone();
    let hashes: Vec<Bytes32> = ground.offers.iter().flat_map(|offer| &offer.docs).flat_map(|doc| &doc.heads).copied().collect();
    let mut fitted = true;
    while !script.is_done() {
        let edit = script.byte() % 16;
        let count = request.docs.len();
        let n = script.pick(count);
        match edit {
            0 => fitted = !fitted,
            1 => request.epoch = None,
            2 => request.docs.extend(ground.offers[script.pick(ground.offers.len())].docs.clone()),
            3..=5 => request = mutate::message(request, script),
            _ if count == 0 => {}
            6 => drop(request.docs.remove(n)),
            7 => request.docs[n].id = ground.machine,
            8 => request.docs[n].id = [ground.signers[0].shop.roster(), ground.signers[0].shop.engines()][script.pick(2)],
            9 => request.docs[n].heads.push(hashes[script.pick(hashes.len())]),
            _ => mutate::recipes(request.docs[n].id, &mut request.docs[n].recipes, &hashes, &ground.signers, script),
        }
    }
    if fitted {
        for doc in &mut request.docs {
            mutate::refit(doc.id, &mut doc.recipes);
        }
    }
    request
}

/// Whether a change stands before one that it builds on, or is named twice.
fn in_disorder(request: &ExchangeRequest) -> bool {
    let recipes: Vec<_> = request.docs.iter().flat_map(|doc| mutate::full(doc.id, &doc.recipes)).collect();
    let mut later: BTreeSet<Bytes32> = recipes.iter().map(|recipe| recipe.hash).collect();
    later.len() < recipes.len()
        || recipes.iter().any(|recipe| {
            later.remove(&recipe.hash);
            recipe.deps.iter().any(|dep| later.contains(dep))
        })
}

/// What a step of the shop may change.
fn state(store: &Store) -> (u64, usize) {
    (store.log().log_end().expect("the log"), store.quarantine().quarantined().expect("quarantine").len())
}

fn answered(ground: &AtShop, who: usize, request: &ExchangeRequest, looks: Looks) {
    let mut shop = ground.template.fresh();
    let device = ground.signers[who].device;
    let before = state(shop.store());
    let mut drawn = dice();
    let Ok(answer) = shop.peer().answer(device, request, &ground.now, &mut drawn) else {
        assert_eq!(state(shop.store()), before, "what was refused as a whole has kept something");
        return;
    };
    match write_body(&answer, true) {
        Ok(body) => assert_eq!(read_body::<ExchangeAnswer>(&body, true).as_ref(), Ok(&answer)),
        Err(BodyError::TooLarge { .. }) => {}
        Err(error) => panic!("{error}"),
    }
    let after = state(shop.store());
    what_is_taken_is_held(&shop, &answer);
    if after != before {
        looks.at(&shop, &ground.now);
        // The same request changes nothing more; but for changes that came before what they build on, which fit next time.
        let most = request.docs.iter().map(|doc| doc.recipes.len()).sum::<usize>();
        let mut settled = after;
        for round in 0.. {
            shop.peer().answer(device, request, &ground.now, &mut drawn).expect("the same request is answered again");
            let now = state(shop.store());
            if now == settled {
                break;
            }
            assert!(round < most && in_disorder(request), "the same request twice changes something");
            settled = now;
        }
    }
}

fn what_is_taken_is_held(shop: &Book, answer: &ExchangeAnswer) {
    for doc in &answer.docs {
        for hash in &doc.taken {
            assert!(shop.store().log().holds_change(doc.id, *hash).expect("rows"), "a change is said to be taken and is not held");
        }
    }
}
