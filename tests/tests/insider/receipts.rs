//! Receipts: for the bytes, the id and the document that they name.

use shared::ids::DeviceId;
use shared::wire::EnrolRequest;
use sync_core::book::Book;
use sync_core::book::enrol::EnrolError;
use sync_core::store::Store;

use super::*;

/// A helper has a note receipted, signs a clearing under the note's id, and hands both to the lead: the receipt is for the note.
#[test]
fn a_receipt_is_for_the_bytes_that_it_names() {
    let (mut crew, machine, [lead, tech, helper]) = Crew::of_three(3);
    let hold = crew.on(tech, |book, hand| {
        let finding = Finding { grade: FindingKind::Hold, what: "push rod bent".into(), visit: None };
        book.write(vec![Draft::new(machine, finding)], &hand.now, hand.entropy).unwrap()[0]
    });
    crew.level_all();
    let note = forged(&crew, helper, 0x51, machine, Note { text: "all well".into(), visit: None });
    slip(&crew, helper, DocKind::Machine, &note, crew.now_ms);
    crew.level(helper);
    assert!(held_by_shop(&crew, note.id), "an honest note is receipted");
    // What the receipt names, and a clearing under the same id, in the order in which a carrier's program meets them.
    let clearing = forged(&crew, helper, 0x51, machine, FindingCleared { finding: hold, how: "mended".into() });
    let (_, bytes) = signed(&crew.phones[helper].book, &clearing, crew.now_ms);
    let arrival = {
        let ledger = crew.shop.store().records().ledger_of(machine).unwrap();
        let names = |a: &Arrival| a.records.iter().any(|named| named.record == note.id);
        ledger.entries().find(|e| matches!(&e.record.body, Body::Arrival(a) if names(a))).unwrap().record.id
    };
    let receipt = crew.shop.store().records().held(arrival).unwrap().unwrap().bytes;
    // The lead's phone has not exchanged since: it knows neither the note nor its receipt.
    let recipe = next_recipe(&crew.phones[lead].book, machine, BAD, vec![bytes, receipt]);
    let bundle = crew.phones[helper].book.outgoing().make_bundle(&Load::Documents(vec![machine]), &crew.moment(helper)).unwrap();
    let mut said: shared::wire::Bundle = sync_core::sync::read_body(&bundle.bundles[0], true).unwrap();
    said.docs.retain(|doc| doc.id == machine);
    for doc in &mut said.docs {
        doc.recipes = vec![recipe.clone().into()];
    }
    let bytes = sync_core::sync::write_body(&said, true).unwrap();
    let moment = crew.moment(lead);
    let taken = crew.phones[lead].book.peer().take_bundle(&bytes, &moment).unwrap();
    assert_eq!(taken.refused.iter().map(|line| line.code).collect::<Vec<_>>(), [Code::RoleMayNot], "{taken:?}");
    let holds = |book: &sync_core::book::Book| book.store().machine_rows().machine(machine).unwrap().unwrap().state.holds().count();
    assert_eq!(holds(&crew.phones[lead].book), 1, "the tech's hold stays");
    crew.level_all();
    assert_eq!((holds(&crew.shop), holds(&crew.phones[lead].book)), (1, 1));
    clean(&crew);
}

/// A carrier of somebody's bundle knows the ids in it, and gets to the shop first: each device gives its own ids.
#[test]
fn nobody_takes_the_id_of_a_record_that_is_on_its_way() {
    let (mut crew, machine, [_, tech, helper]) = Crew::of_three(4);
    let own = crew.on(tech, |book, hand| {
        let note = Note { text: "found loose".into(), visit: None };
        book.write(vec![Draft::new(machine, note)], &hand.now, hand.entropy).unwrap()[0]
    });
    let instead = Note { text: "nothing found".into(), visit: None };
    let other = Forged { id: own, ..forged(&crew, helper, 0x52, machine, instead) };
    slip(&crew, helper, DocKind::Machine, &other, crew.now_ms);
    assert_eq!(refused(&mut crew, helper), [Code::NotTheAuthor]);
    assert_eq!(crew.exchange(tech).refused, vec![]);
    assert!(held_by_shop(&crew, own));
    crew.level_all();
    clean(&crew);
}

/// Nor the id of a machine that somebody entered in the field.
#[test]
fn nobody_founds_the_machine_that_is_on_its_way() {
    let (mut crew, known, [_, tech, helper]) = Crew::of_three(5);
    let card = crew.shop.store().machine_rows().machine(known).unwrap().unwrap().state.card.unwrap();
    let entered = MachineCard { tag: "M-new".into(), provisional: true, ..card };
    let own = crew.on(tech, |book, hand| book.author().add_machine(entered.clone(), hand).unwrap());
    let mine = forged(&crew, helper, 0x55, own, MachineCard { tag: "M-mine".into(), ..entered });
    slip(&crew, helper, DocKind::Machine, &mine, crew.now_ms);
    assert_eq!(refused(&mut crew, helper), [Code::WrongPlace]);
    assert_eq!(crew.exchange(tech).refused, vec![]);
    assert_eq!(crew.shop.store().machine_rows().machine(own).unwrap().unwrap().state.card.unwrap().tag, "M-new");
    crew.level_all();
    clean(&crew);
}

/// Nor enrols a device that would give another's ids, or the shop's own.
#[test]
fn no_two_devices_give_the_same_ids() {
    let (mut crew, _, [_, tech, _]) = Crew::of_three(6);
    let now = crew.moment(0);
    let root = crew.shop.identity().unwrap().root;
    for known in [crew.phones[tech].book.identity().unwrap().device, root.device] {
        let mut device = [0x56; 16];
        device[6..12].copy_from_slice(&known.as_bytes()[6..12]);
        let office = crew.phones[0].person;
        let code = crew.shop.issue_code(office, office, &now, &mut crew.dice).unwrap().code;
        let book = Book::over(Store::in_memory().unwrap(), &mut crew.dice).unwrap();
        let request = book.enrol_request(&code, "mine", &now, &mut crew.dice).unwrap();
        let like = EnrolRequest { device: DeviceId::from_bytes(device), ..request.clone() };
        let refused = crew.shop.admit_device(&like, &now, &mut crew.dice).unwrap_err();
        assert!(matches!(refused, EnrolError::Refused(Code::IdTaken, _)), "{refused:?}");
        crew.shop.admit_device(&request, &now, &mut crew.dice).unwrap();
    }
}

/// A shop vouches by id, bytes and document: a receipt of one document says nothing in another.
#[test]
fn a_receipt_of_another_document_vouches_for_nothing() {
    let (crew, machine, [_, tech, _]) = Crew::of_three(16);
    let deed = forged(&crew, tech, 0x53, machine, Note { text: "x".into(), visit: None });
    let (_, bytes) = signed(&crew.phones[tech].book, &deed, crew.now_ms);
    let root = crew.shop.identity().unwrap().root;
    let arrival = |doc| {
        let named = Receipted { record: deed.id, sha256: envelope::sha256(&bytes) };
        let body = Arrival {
            records: vec![named],
            at: crew.now_ms,
            skew_ms: 0,
            uncertainty_ms: 0,
            brought_by: root.device,
            position: 1,
            released_by: None,
        };
        let forged = Forged { id: own_id(&crew.shop, 0x54), by: shared::ids::PersonId::shop(root.shop), doc, body: body.into() };
        signed(&crew.shop, &forged, crew.now_ms).1
    };
    for (doc, vouches) in [(machine, true), (root.shop.roster(), false)] {
        let recipe = next_recipe(&crew.shop, machine, BAD, vec![bytes.clone(), arrival(doc)]);
        let mut delivery = sync_core::engine::incoming::IncomingBatch::open(machine, vec![recipe.into()]);
        delivery.check(crew.shop.roster().unwrap());
        assert_eq!(delivery.vouched.names(deed.id, envelope::sha256(&bytes)), vouches);
        assert!(!delivery.vouched.names(deed.id, Bytes32([0; 32])));
    }
}
