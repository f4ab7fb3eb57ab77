//! A device's half of the exchange, as the shop meets it: body, gate, store, answer.

use std::cell::OnceCell;

use shared::bytes::Bytes32;
use shared::wire::{DocOffer, ExchangeAnswer, ExchangeRequest};
use sync_core::book::Book;
use sync_core::exchange::{BodyError, read_body, write_body};
use sync_core::store::Store;

use crate::ground::{self, AtShop, dice, holds};
use crate::mutate;
use crate::script::Script;

thread_local! {
    static GROUND: OnceCell<AtShop> = const { OnceCell::new() };
}

/// The first byte says how the rest is meant: as a body, as a compressed body, or as edits of a real request.
pub fn once(bytes: &[u8]) {
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
            answered(ground, who, &request);
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
    let hashes: Vec<Bytes32> = ground.offers.iter().flat_map(|o| &o.docs).flat_map(|d| d.heads.iter().chain(&d.held)).copied().collect();
    let mut fitted = true;
    while !script.is_done() {
        let edit = script.byte() % 16;
        let count = request.docs.len();
        let n = script.pick(count);
        match edit {
            0 => request.device_time = script.number(),
            1 => request.cursor.position = script.number().unsigned_abs(),
            2 => {
                let (until, after) = (script.number().unsigned_abs(), script.number().unsigned_abs());
                request.cursor.fill = Some(shared::wire::Fill { until, after });
            }
            3 => request.epoch = None,
            4 => request.v = u32::try_from(script.number()).unwrap_or(2),
            5 => request.docs.extend(ground.offers[script.pick(ground.offers.len())].docs.clone()),
            6 if count > 0 => drop(request.docs.remove(n)),
            7 if count > 0 => request.docs[n].id = ground.machine,
            8 if count > 0 => request.docs[n].whole = script.flag(),
            9 if count > 0 => request.docs[n].heads.push(Bytes32(script.array())),
            10 => fitted = !fitted,
            11 => request.docs.push(DocOffer {
                id: [ground.machine, ground.signers[0].shop.roster(), ground.signers[0].shop.engines()][script.pick(3)],
                heads: vec![],
                held: vec![],
                recipes: vec![],
                whole: script.flag(),
            }),
            _ if count > 0 => mutate::recipes(&mut request.docs[n].recipes, &hashes, &ground.signers, script),
            _ => {}
        }
    }
    if fitted {
        for doc in &mut request.docs {
            mutate::refit(doc.id, &mut doc.recipes);
        }
    }
    request
}

/// What a step of the shop may change.
fn state(store: &Store) -> (u64, u64, usize) {
    let (records, ..) = store.counts().expect("counts");
    (store.log_end().expect("the log"), records, store.quarantined().expect("quarantine").len())
}

fn answered(ground: &AtShop, who: usize, request: &ExchangeRequest) {
    let mut shop = ground.template.fresh();
    let device = ground.signers[who].device;
    let before = state(shop.store());
    let Ok(answer) = shop.answer(device, request, &ground.now, &mut dice()) else {
        assert_eq!(state(shop.store()), before, "what was refused as a whole has kept something");
        return;
    };
    match write_body(&answer, true) {
        Ok(body) => assert_eq!(read_body::<ExchangeAnswer>(&body, true).as_ref(), Ok(&answer)),
        Err(BodyError::TooLarge) => {}
        Err(error) => panic!("{error}"),
    }
    let after = state(shop.store());
    every_change_is_spoken_of(&shop, request, &answer);
    if after != before {
        holds(&shop, &ground.now);
        let again = shop.answer(device, request, &ground.now, &mut dice()).expect("the same request is answered again");
        assert_eq!(state(shop.store()), after, "the same request twice changes something");
        let taken = |answer: &ExchangeAnswer| answer.docs.iter().map(|d| d.taken.len()).sum::<usize>();
        assert!(taken(&again) >= taken(&answer), "what was taken is taken");
    }
}

/// Each change offered is taken, refused, or waits for others that are asked for or refused; and what is taken is held.
fn every_change_is_spoken_of(shop: &Book, request: &ExchangeRequest, answer: &ExchangeAnswer) {
    for offer in &request.docs {
        let Some(said) = answer.docs.iter().find(|d| d.id == offer.id) else {
            panic!("nothing is said of a document that was offered");
        };
        for hash in &said.taken {
            assert!(shop.store().holds_change(*hash).expect("a row"), "a change is said to be taken and is not held");
        }
    }
}
