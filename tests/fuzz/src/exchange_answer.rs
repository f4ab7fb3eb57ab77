//! The shop's half of the exchange, as a device meets it: whatever comes, nothing that a person entered is lost.

use std::cell::OnceCell;

use shared::bytes::{Bytes16, Bytes32};
use shared::ids::RecordId;
use shared::problem::Code;
use shared::wire::{DocAnswer, ExchangeAnswer, Refusal};
use sync_core::book::Book;
use sync_core::crypto::envelope;
use sync_core::sync::{read_body, write_body};

use super::ground::{self, Looks, OnPhone, dice};
use super::mutate;
use super::script::Script;

/// The ground, and the records on the phone that the shop has not receipted.
struct Ground {
    phone: OnPhone,
    own: Vec<(RecordId, Vec<u8>)>,
}

thread_local! {
    static GROUND: OnceCell<Ground> = const { OnceCell::new() };
}

fn ground() -> Ground {
    let phone = ground::on_phone();
    let book = phone.template.fresh();
    let unsent = book.store().outbox().unsent(i64::MAX).expect("rows");
    let records = unsent.into_iter().flat_map(|change| change.recipe.records);
    let own = records.map(|bytes| (envelope::decode_unverified(&bytes.0).expect("its own record").record.id, bytes.0)).collect();
    Ground { phone, own }
}

/// The first byte says how the rest is meant: as a body, as a compressed body, or as edits of a real answer.
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
        let ids: Vec<RecordId> = ground.own.iter().map(|(id, _)| *id).collect();
        let answer = match how % 4 {
            0 => read_body::<ExchangeAnswer>(rest, false),
            1 => read_body::<ExchangeAnswer>(rest, true),
            _ => Ok(edited(&ground.phone, &ids, &mut Script::of(rest))),
        };
        if let Ok(answer) = answer {
            taken(ground, &answer, looks);
        }
    });
}

/// A first corpus: the real answer, plain and compressed; one edit of each kind; and, per document, nothing taken or
/// sent and one of the phone's own records refused.
#[must_use]
pub fn seeds() -> Vec<Vec<u8>> {
    let answer = ground::on_phone().answer;
    let body = |how: u8, compressed| [&[how], write_body(&answer, compressed).expect("a body").as_slice()].concat();
    let mut seeds = vec![body(0, false), body(1, true), vec![2]];
    for doc in 0..u8::try_from(answer.docs.len()).unwrap_or(u8::MAX) {
        seeds.extend((0..18).map(|edit| vec![2, edit, doc, 0, 12, 0, 0, 5, 3, 4, 7, 0, 1]));
        let said = &answer.docs[usize::from(doc)];
        let nothing = [[13, doc].repeat(said.taken.len()), [15, doc, 0, 0].repeat(said.recipes.len())].concat();
        seeds.extend([0, 3, 8].map(|own| [&[2], nothing.as_slice(), &[14, doc, 0, 2, own, 0, 0]].concat()));
    }
    seeds
}

fn edited(ground: &OnPhone, own: &[RecordId], script: &mut Script<'_>) -> ExchangeAnswer {
    let mut answer = ground.answer.clone();
    let hashes: Vec<Bytes32> = answer.docs.iter().flat_map(|d| d.heads.iter().chain(&d.taken)).copied().collect();
    let some_hash = |script: &mut Script<'_>| {
        let n = script.pick(hashes.len() + 1);
        hashes.get(n).copied().unwrap_or_else(|| Bytes32(script.array()))
    };
    let mut fitted = true;
    while !script.is_done() {
        let edit = script.byte() % 18;
        let count = answer.docs.len();
        let n = script.pick(count);
        match edit {
            0 => fitted = !fitted,
            1 => answer.epoch = Bytes16(script.array()),
            2 => answer.shop_time = script.number(),
            3 => answer.more = script.flag(),
            4 => answer.docs.push(DocAnswer::new(ground.signers[0].shop.roster())),
            5..=7 => answer = mutate::message(answer, script),
            _ if count == 0 => {}
            8 => drop(answer.docs.remove(n)),
            9 => {
                let again = answer.docs[n].clone();
                answer.docs.push(again);
            }
            10 => answer.docs[n].id = answer.docs[script.pick(count)].id,
            11 => answer.docs[n].taken.push(some_hash(script)),
            12 => answer.docs[n].needed.push(some_hash(script)),
            13 => drop(answer.docs[n].taken.pop()),
            14 => refuse(&mut answer.docs[n], some_hash(script), own, script),
            _ => mutate::recipes(answer.docs[n].id, &mut answer.docs[n].recipes, &hashes, &ground.signers, script),
        }
    }
    if fitted {
        for doc in &mut answer.docs {
            mutate::refit(doc.id, &mut doc.recipes);
        }
    }
    answer
}

/// Says of a change that it was not taken, naming one of the phone's own records, any record, or none.
fn refuse(doc: &mut DocAnswer, change: Bytes32, own: &[RecordId], script: &mut Script<'_>) {
    let record = match script.byte() % 3 {
        0 => None,
        1 => Some(RecordId::from_bytes(script.array())),
        _ => own.get(script.pick(own.len())).copied(),
    };
    let code = [Code::RoleMayNot, Code::ChangeInvalid, Code::BodyInvalid, Code::SignatureInvalid][script.pick(4)];
    doc.refused.push(Refusal { change, record, code, detail: script.text() });
}

fn taken(ground: &Ground, answer: &ExchangeAnswer, looks: Looks) {
    let now = ground.phone.now;
    let mut book = ground.phone.template.fresh();
    let log_end = |book: &Book| book.store().log().log_end().expect("the log");
    let before = log_end(&book);
    let sent_at = now;
    let result = book.peer().take_answer(&sent_at, answer, &now, &mut dice());
    if result.is_err() {
        assert_eq!(log_end(&book), before, "what was refused as a whole has kept something");
    }
    for (id, bytes) in &ground.own {
        let held = book.store().records().held(*id).expect("a row").is_some_and(|held| held.bytes == *bytes);
        assert!(held || book.store().quarantine().is_quarantined(bytes).expect("a row"), "a record that a person entered is gone");
    }
    looks.at(&book, &now);
    let offer = book.outgoing().offer(&now).expect("an offer");
    write_body(&offer, true).expect("a body");
}
