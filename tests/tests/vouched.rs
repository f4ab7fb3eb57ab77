//! What a device keeps on the shop's word, and what becomes of it when it is proved.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use fixtures::forge::{Forged, next_recipe, own_id, signed};
use shared::bytes::Bytes16;
use shared::problem::Code;
use shared::record::{Note, Stage};
use shared::role::Role;
use sync_core::book::Book;
use sync_core::change::replica::change_hash;
use sync_core::crypto::envelope;
use sync_core::engine::incoming::IncomingBatch;
use sync_core::judge::ledger::Entry;
use sync_core::judge::permissions::DocKind;
use sync_core::store::Checked;
use sync_core::store::Provenance;
use sync_core::store::frontier::Frontier;
use tests::Crew;

const ALL: usize = 10_000;

fn faults(book: &Book) -> Vec<String> {
    book.verify().unwrap().faults
}

#[test]
fn what_the_shop_signed_for_is_kept_at_once_and_proved_afterwards() {
    let mut crew = Crew::new(5);
    let writer = crew.join("Writer", Role::Lead);
    let machine = crew.machine("M-1");
    crew.level_all();
    let lead = crew.join("Lead", Role::Lead);
    assert!(crew.phones[lead].book.store().documents().unverified().unwrap() > 0, "filled on the shop's word");
    assert_eq!(crew.phones[lead].book.peer().verify_deferred(ALL).unwrap(), 0);
    let reading = crew.read(writer, machine, "1I", Stage::Found, 4, 5);
    crew.level(writer);
    crew.level(lead);
    assert!(crew.phones[lead].book.store().records().held(reading).unwrap().is_some());
    assert!(crew.phones[lead].book.store().documents().unverified().unwrap() > 0);
    assert_eq!(crew.phones[lead].book.peer().verify_deferred(ALL).unwrap(), 0);
    assert_eq!(faults(&crew.phones[lead].book), Vec::<String>::new());
}

#[test]
fn an_answer_that_was_changed_on_its_way_is_looked_at_before_it_is_kept() {
    let mut crew = Crew::new(6);
    let writer = crew.join("Writer", Role::Lead);
    let machine = crew.machine("M-1");
    crew.level_all();
    let lead = crew.join("Lead", Role::Lead);
    crew.phones[lead].book.peer().verify_deferred(ALL).unwrap();
    crew.read(writer, machine, "1I", Stage::Found, 4, 5);
    crew.level(writer);
    let request = crew.offer(lead);
    let mut answer = crew.answer(lead, &request);
    let doc = answer.docs.iter_mut().find(|doc| doc.id == machine).unwrap();
    // A record that nobody signed, in a change whose hash fits it: the shop's signature is over other bytes, and so each
    // record's own is what counts.
    let brought = IncomingBatch::open(machine, doc.recipes.clone()).changes.remove(0);
    let mut recipe = brought.recipe;
    let record = &mut recipe.records[0].0;
    let last = record.len() - 1;
    record[last] ^= 1;
    recipe.hash = change_hash(machine, &recipe).unwrap();
    doc.recipes = vec![recipe.into()];
    let report = crew.take(lead, &answer);
    assert_eq!(report.refused.iter().map(|r| r.code).collect::<Vec<_>>(), [Code::SignatureInvalid]);
    assert_eq!(crew.phones[lead].book.store().documents().unverified().unwrap(), 0, "nothing of it was taken on trust");
    assert_eq!(faults(&crew.phones[lead].book), Vec::<String>::new());
}

#[test]
fn what_does_not_hold_goes_when_it_is_proved_and_the_shops_word_with_it() {
    let mut crew = Crew::new(7);
    let writer = crew.join("Writer", Role::Lead);
    let machine = crew.machine("M-1");
    crew.level_all();
    let lead = crew.join("Lead", Role::Lead);
    let good = crew.read(writer, machine, "1I", Stage::Found, 4, 5);
    crew.level(writer);
    crew.level(lead);
    assert_eq!(crew.phones[lead].book.peer().verify_deferred(ALL).unwrap(), 0);
    // A shop that lets in what nobody signed: a note in the office's name under another key.
    let by = crew.phones[writer].person;
    let id = own_id(&crew.phones[writer].book, 0x5a);
    let forged = Forged { id, by, doc: machine, body: Note { text: "never said".into(), visit: None }.into() };
    let (record, mut bytes) = signed(&crew.phones[writer].book, &forged, crew.now_ms);
    let last = bytes.len() - 1;
    bytes[last] ^= 1;
    let sha256 = envelope::sha256(&bytes);
    let recipe = next_recipe(&crew.shop, machine, Bytes16([0x77; 16]), vec![bytes]);
    let device = crew.phones[writer].book.identity().unwrap().device;
    let mut frontier = Frontier::read(crew.shop.store(), machine).unwrap();
    frontier.advance(&recipe);
    let checked = vec![Checked { entry: Entry { device, sha256, record }, held: false }];
    crew.shop.store().log().append(&mut frontier, DocKind::Machine, vec![(recipe, checked)], Provenance::AT_SHOP).unwrap();
    crew.level(lead);
    let book = &mut crew.phones[lead].book;
    assert!(book.store().records().held(id).unwrap().is_some(), "kept on the shop's word");
    assert_eq!(book.peer().verify_deferred(ALL).unwrap(), 0);
    assert!(
        book.store().records().held(id).unwrap().is_none() && book.store().records().held(good).unwrap().is_none(),
        "the document went"
    );
    crew.level(lead);
    let book = &crew.phones[lead].book;
    assert!(book.store().records().held(good).unwrap().is_some(), "what holds came again");
    assert!(book.store().records().held(id).unwrap().is_none(), "what does not is refused now");
    assert_eq!(book.store().documents().unverified().unwrap(), 0, "and the shop's word is not taken any more");
    assert_eq!(faults(book), Vec::<String>::new());
}

/// Found on reading the change: a healed record may stand in two changes, and a new phone was then never filled.
#[test]
fn a_document_with_one_record_in_two_changes_fills_a_new_phone() {
    let mut crew = Crew::new(8);
    let writer = crew.join("Writer", Role::Lead);
    let machine = crew.machine("M-1");
    crew.level_all();
    let reading = crew.read(writer, machine, "1I", Stage::Found, 4, 5);
    crew.level(writer);
    let held = crew.shop.store().records().held(reading).unwrap().unwrap();
    let recipe = next_recipe(&crew.shop, machine, Bytes16([0x77; 16]), vec![held.bytes]);
    let mut frontier = Frontier::read(crew.shop.store(), machine).unwrap();
    frontier.advance(&recipe);
    let checked = vec![Checked { entry: held.entry, held: true }];
    crew.shop.store().log().append(&mut frontier, DocKind::Machine, vec![(recipe, checked)], Provenance::AT_SHOP).unwrap();
    let lead = crew.join("Lead", Role::Lead);
    assert!(crew.phones[lead].book.store().records().held(reading).unwrap().is_some());
    assert_eq!(crew.phones[lead].book.peer().verify_deferred(ALL).unwrap(), 0);
    assert_eq!(faults(&crew.phones[lead].book), Vec::<String>::new());
}
