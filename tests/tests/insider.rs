//! An insider with a valid key whose program keeps to no rule: what it forges decides nothing, opens nothing and stops nobody.
//!
//! Each test is one rule of `sync_core::rights`, `roster` and `delivery`; `wrong_hands.rs` has what one role may not write.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use ciborium::Value;
use fixtures::forge::{Forged, next_recipe, signed, slip_in};
use shared::bytes::{Bytes16, Bytes32};
use shared::ids::{DeviceId, DocId, PropertyId, RecordId};
use shared::problem::Code;
use shared::record::{
    Arrival, Body, ClockEvidence, Decision, Device, Finding, FindingCleared, FindingKind, MachineCard, Note, Receipted, Record, RoleGrant,
    Ruling, Stage, UnknownBody, Void,
};
use shared::role::Role;
use shared::slot::Slot;
use sync_core::book::{BookError, Draft};
use sync_core::bundle::Load;
use sync_core::clock::{Receipt, correct};
use sync_core::envelope;
use sync_core::moment::Moment;
use sync_core::rights::Place;
use tests::Crew;

const BAD: Bytes16 = Bytes16([0xbd; 16]);

fn id(n: u8) -> RecordId {
    RecordId::from_bytes([n; 16])
}

fn forged(crew: &Crew, phone: usize, n: u8, doc: DocId, body: impl Into<Body>) -> Forged {
    Forged { id: id(n), by: crew.phones[phone].person, doc, body: body.into() }
}

/// Slips a record into its writer's own book as if written at a time, past every check.
fn slip(crew: &Crew, phone: usize, place: Place, forged: &Forged, at_ms: i64) {
    slip_in(&crew.phones[phone].book, forged.doc, place, BAD, std::slice::from_ref(forged), at_ms);
}

/// The codes with which the shop refuses what a phone has to say.
fn refused(crew: &mut Crew, phone: usize) -> Vec<Code> {
    crew.exchange(phone).refused.iter().map(|line| line.code).collect()
}

fn held_by_shop(crew: &Crew, record: RecordId) -> bool {
    crew.shop.store().held(record).unwrap().is_some()
}

fn roster_of(crew: &Crew) -> DocId {
    crew.shop.identity().unwrap().root.shop.roster()
}

fn set_role(crew: &mut Crew, phone: usize, role: Option<Role>) -> RecordId {
    let person = crew.phones[phone].person;
    let grant = crew.on(0, |book, hand| book.set_role(person, role, hand).unwrap());
    crew.level(0);
    grant
}

fn clean(crew: &Crew) {
    assert_eq!(crew.shop.verify().unwrap().faults, Vec::<String>::new());
    for phone in &crew.phones {
        assert_eq!(phone.book.verify().unwrap().faults, Vec::<String>::new());
    }
}

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
    slip(&crew, helper, Place::Machine, &note, crew.now_ms);
    crew.level(helper);
    assert!(held_by_shop(&crew, note.id), "an honest note is receipted");
    // What the receipt names, and a clearing under the same id, in the order in which a carrier's program meets them.
    let clearing = forged(&crew, helper, 0x51, machine, FindingCleared { finding: hold, how: "mended".into() });
    let (_, bytes) = signed(&crew.phones[helper].book, &clearing, crew.now_ms);
    let arrival = {
        let ledger = crew.shop.store().ledger_of(machine).unwrap();
        let names = |a: &Arrival| a.records.iter().any(|named| named.record == note.id);
        ledger.entries().find(|e| matches!(&e.record.body, Body::Arrival(a) if names(a))).unwrap().record.id
    };
    let receipt = crew.shop.store().held(arrival).unwrap().unwrap().bytes;
    // The lead's phone has not exchanged since: it knows neither the note nor its receipt.
    let recipe = next_recipe(&crew.phones[lead].book, machine, BAD, vec![bytes, receipt]);
    let bundle = crew.phones[helper].book.make_bundle(&Load::Documents(vec![machine]), &crew.moment(helper)).unwrap();
    let mut said: shared::wire::Bundle = sync_core::exchange::read_body(&bundle.bytes, true).unwrap();
    said.docs.retain(|doc| doc.id == machine);
    for doc in &mut said.docs {
        doc.recipes = vec![recipe.clone().into()];
    }
    let bytes = sync_core::exchange::write_body(&said, true).unwrap();
    let moment = crew.moment(lead);
    let taken = crew.phones[lead].book.take_bundle(&bytes, &moment).unwrap();
    assert_eq!(taken.refused.iter().map(|line| line.code).collect::<Vec<_>>(), [Code::RoleMayNot], "{taken:?}");
    let holds = |book: &sync_core::book::Book| book.store().machine(machine).unwrap().unwrap().state.holds().count();
    assert_eq!(holds(&crew.phones[lead].book), 1, "the tech's hold stays");
    crew.level_all();
    assert_eq!((holds(&crew.shop), holds(&crew.phones[lead].book)), (1, 1));
    clean(&crew);
}

/// A receipt says nothing of a record of this device under the same id: it stays due.
#[test]
fn a_receipt_for_another_record_under_the_same_id_receipts_nothing() {
    let (mut crew, machine, [_, tech, helper]) = Crew::of_three(4);
    let own = forged(&crew, tech, 0x52, machine, Note { text: "found loose".into(), visit: None });
    let own_actor = Bytes16([0xbc; 16]);
    slip_in(&crew.phones[tech].book, machine, Place::Machine, own_actor, std::slice::from_ref(&own), crew.now_ms);
    let other = forged(&crew, helper, 0x52, machine, Note { text: "nothing found".into(), visit: None });
    slip(&crew, helper, Place::Machine, &other, crew.now_ms);
    crew.level(helper);
    let report = crew.exchange(tech);
    assert_eq!(report.refused.iter().map(|line| line.code).collect::<Vec<_>>()[0], Code::IdTaken);
    let (_, bytes) = signed(&crew.phones[tech].book, &own, crew.now_ms);
    let mine = crew.phones[tech].book.store().quarantined().unwrap();
    assert!(mine.iter().any(|q| q.bytes == bytes), "its own words are kept, and said to be refused");
    crew.level_all();
    clean(&crew);
}

/// Whoever was dismissed gives himself the role back with a record from before, voids the dismissal, and makes an accomplice office.
#[test]
fn a_backdated_record_decides_nothing() {
    let mut crew = Crew::new(6);
    let (fallen, accomplice) = (crew.join("Fallen", Role::Office), crew.join("Friend", Role::Helper));
    crew.level_all();
    let before_ms = crew.now_ms;
    crew.wait_min(60);
    let dismissal = set_role(&mut crew, fallen, Some(Role::Tech));
    let roster = roster_of(&crew);
    crew.wait_min(5);
    let friend = crew.phones[accomplice].person;
    for body in [
        Body::Void(Void { target: dismissal, reason: "never was".into() }),
        Body::Role(RoleGrant { person: friend, role: Some(Role::Office) }),
    ] {
        let deed = forged(&crew, fallen, 0x61, roster, body);
        slip(&crew, fallen, Place::Roster, &deed, before_ms);
        assert_eq!(refused(&mut crew, fallen), [Code::RoleMayNot]);
        assert!(!held_by_shop(&crew, deed.id));
    }
    let now = crew.shop.roster().unwrap();
    assert_eq!((now.role_now(crew.phones[fallen].person), now.role_now(friend)), (Some(Role::Tech), Some(Role::Helper)));
    clean(&crew);
}

/// The same, if it is in the book all the same (let in before this rule, or by a shop whose file was put back): it decides nothing.
#[test]
fn what_is_held_without_the_right_decides_nothing() {
    let (mut crew, machine, [lead, tech, _]) = Crew::of_three(8);
    let by_tech = crew.read(tech, machine, "1I", Stage::Found, 3, 4);
    let by_office = {
        let other = crew.join("Other", Role::Lead);
        crew.level_all();
        crew.read(other, machine, "1I", Stage::Found, 6, 7)
    };
    crew.level_all();
    let before_ms = crew.now_ms;
    crew.wait_min(10);
    set_role(&mut crew, lead, Some(Role::Tech));
    crew.wait_min(10);
    let slot = Slot::lash("1I".parse().unwrap(), Stage::Found);
    let deed = Ruling { slot: slot.clone(), of: vec![by_tech, by_office], decision: Decision::Stands(by_tech), reason: String::new() };
    let deed = forged(&crew, lead, 0x62, machine, deed);
    let (record, bytes) = signed(&crew.phones[lead].book, &deed, before_ms);
    assert_eq!(record.id, deed.id);
    let device = crew.phones[lead].book.identity().unwrap().device;
    let sha256 = envelope::sha256(&bytes);
    let recipe = next_recipe(&crew.shop, machine, BAD, vec![bytes]);
    let mut frontier = sync_core::frontier::Frontier::read(crew.shop.store(), machine).unwrap();
    frontier.advance(&recipe);
    let checked = sync_core::admission::Checked { entry: sync_core::ledger::Entry { device, record, sha256 }, held: false };
    crew.shop.store().append(&mut frontier, Place::Machine, vec![(recipe, vec![checked])], sync_core::store::Known::AT_SHOP).unwrap();
    crew.shop.store().rebuild(crew.shop.roster().unwrap()).unwrap();
    let standing = crew.shop.store().standing(machine, &slot).unwrap().unwrap();
    assert_eq!(
        (standing.ruling, standing.stands),
        (None, Some(by_office)),
        "the ex-lead's ruling from before is in the book and rules nothing"
    );
}

/// Two office people take each other's role away: whose record came first holds, on every replica.
#[test]
fn of_two_who_dismiss_each_other_the_first_to_arrive_holds() {
    for first in [0, 1] {
        let mut crew = Crew::new(9);
        let people = [crew.join("A", Role::Office), crew.join("B", Role::Office)];
        crew.level_all();
        let persons = people.map(|phone| crew.phones[phone].person);
        for n in [0, 1] {
            crew.on(people[n], |book, hand| book.set_role(persons[1 - n], Some(Role::Helper), hand).unwrap());
        }
        crew.level(people[first]);
        crew.level(people[1 - first]);
        crew.level_all();
        let roles = |book: &sync_core::book::Book| persons.map(|person| book.roster().unwrap().role_now(person));
        let at_shop = roles(&crew.shop);
        assert_eq!((at_shop[first], at_shop[1 - first]), (Some(Role::Office), Some(Role::Helper)));
        assert!(crew.phones.iter().all(|phone| roles(&phone.book) == at_shop));
        clean(&crew);
    }
}

/// No role: nothing is read any more, what is handed over waits for the office, and the exchange ends.
#[test]
fn who_has_no_role_reads_nothing_and_can_still_hand_over() {
    let (mut crew, machine, [lead, tech, _]) = Crew::of_three(10);
    let late = crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    set_role(&mut crew, tech, None);
    crew.read(lead, machine, "1E", Stage::Found, 5, 6);
    crew.level(lead);
    let person = crew.phones[tech].person;
    assert!(!crew.shop.may_read(person, machine).unwrap() && !crew.shop.may_read(person, roster_of(&crew)).unwrap());
    let request = crew.offer(tech);
    let answer = crew.answer(tech, &request);
    assert!(answer.docs.iter().all(|doc| doc.heads.is_empty() && doc.recipes.is_empty() && doc.packs.is_empty()), "{answer:?}");
    assert_eq!(answer.cursor, request.cursor);
    assert_eq!(crew.take(tech, &answer).refused.iter().map(|line| line.code).collect::<Vec<_>>(), [Code::RoleMayNot]);
    crew.level(tech);
    let waits = crew.shop.store().quarantined().unwrap();
    assert_eq!(waits.iter().map(|q| q.record).collect::<Vec<_>>(), [Some(late)], "it waits for the office");
    let office = crew.phones[0].person;
    crew.shop.release(waits[0].id, office, &Moment::at(crew.now_ms), &mut crew.dice).unwrap();
    assert!(held_by_shop(&crew, late));
    clean(&crew);
}

/// An office person states a card for somebody else's device, with a key of their own and an earlier date.
#[test]
fn a_device_card_is_the_shops_own_word() {
    let (mut crew, _, [_, tech, _]) = Crew::of_three(11);
    let (office, roster) = (0, roster_of(&crew));
    let (taken, person) = (crew.phones[tech].book.identity().unwrap().device, crew.phones[tech].person);
    let card = Device {
        device: taken,
        person,
        name: "phone".into(),
        record_key: Bytes32([9; 32]),
        login_key: Bytes32([8; 32]),
        issued_by: crew.phones[office].person,
    };
    let deed = forged(&crew, office, 0x81, roster, card);
    slip(&crew, office, Place::Roster, &deed, crew.now_ms - 10_000_000);
    let key = |book: &sync_core::book::Book| book.roster().unwrap().devices[&taken].card.record_key;
    let genuine = key(&crew.shop);
    assert_eq!(key(&crew.phones[office].book), genuine, "not even its own book takes it for a device's card");
    assert_eq!(refused(&mut crew, office), [Code::RoleMayNot]);
    assert_eq!(key(&crew.shop), genuine);
    let the_card = {
        let ledger = crew.shop.store().ledger_of(roster).unwrap();
        ledger.entries().find(|e| matches!(&e.record.body, Body::Device(card) if card.device == taken)).unwrap().record.id
    };
    let voided = crew.on(office, |book, hand| book.void(the_card, "not mine", hand));
    assert!(matches!(voided, Err(BookError::Denied(_) | BookError::Entry(_) | BookError::Unknown(_))), "{voided:?}");
}

/// A property's id stands in the roster: a note written into it opens nothing, and waits for the office.
#[test]
fn writing_somewhere_opens_nothing() {
    let mut crew = Crew::new(12);
    let helper = crew.join("Helper", Role::Helper);
    let lead = crew.join("Lead", Role::Lead);
    crew.machine("M-1");
    let yard = crew.phones[0].book.find_property("Test yard").unwrap();
    crew.level_all();
    let person = crew.phones[helper].person;
    let deed = forged(&crew, helper, 0x91, yard.doc(), Note { text: "hello".into(), visit: None });
    slip(&crew, helper, Place::Property, &deed, crew.now_ms);
    assert_eq!(refused(&mut crew, helper), [Code::DocumentClosed]);
    crew.level_all();
    assert!(!crew.shop.may_read(person, yard.doc()).unwrap());
    let store = crew.phones[helper].book.store();
    assert!(store.document(yard.doc()).unwrap().is_none(), "its own empty document is gone, and the shop's did not come");
    assert!(crew.phones[lead].book.store().document(yard.doc()).unwrap().is_some());
    assert_eq!(crew.shop.store().quarantined().unwrap()[0].code, Code::DocumentClosed);
    clean(&crew);
}

/// A reading from before the property was taken away is taken, and receipted beside the document that is closed now.
#[test]
fn a_reading_written_while_the_document_was_open_is_taken_and_receipted() {
    let (mut crew, machine, [_, tech, _]) = Crew::of_three(13);
    let reading = crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    let person = crew.phones[tech].person;
    crew.wait_min(1);
    crew.on(0, |book, hand| {
        let yard = book.find_property("Test yard").unwrap();
        book.assign(person, yard, false, hand).unwrap();
    });
    crew.level(0);
    assert!(crew.level(tech) < 5);
    assert!(held_by_shop(&crew, reading) && !crew.shop.may_read(person, machine).unwrap());
    let own = crew.phones[tech].book.store().held(reading).unwrap().unwrap();
    assert!(own.received_ms.is_some(), "its receipt came beside the document");
    assert_eq!(crew.phones[tech].book.store().due().unwrap(), 0);
    clean(&crew);
}

/// A provisional machine under the id of the days' document, of the roster, of the engines, or of a property.
#[test]
fn nobody_founds_a_document_under_a_reserved_id() {
    let (mut crew, machine, [_, _, helper]) = Crew::of_three(14);
    let shop = crew.shop.identity().unwrap().root.shop;
    let yard = crew.phones[0].book.find_property("Test yard").unwrap();
    let card = MachineCard {
        tag: "X-1".into(),
        description: String::new(),
        property: PropertyId::from_bytes(*yard.doc().as_bytes()),
        engine_card: None,
        cylinders: None,
        duty: shared::engine_card::Duty::Commercial,
        provisional: true,
    };
    for doc in [shop.days(), shop.roster(), shop.engines(), yard.doc()] {
        let place = crew.shop.store().place(doc).unwrap().unwrap();
        let deed = forged(&crew, helper, 0xa1, doc, card.clone());
        slip(&crew, helper, Place::Machine, &deed, crew.now_ms);
        assert_eq!(refused(&mut crew, helper), [Code::WrongPlace], "{place:?}");
        assert_eq!(crew.shop.store().place(doc).unwrap(), Some(place));
        crew.level(helper);
    }
    assert_ne!(machine, shop.days());
    crew.level_all();
    let day = sync_core::roster::Roster::day(crew.shop.roster().unwrap(), crew.now_ms);
    crew.on(0, |book, hand| book.close_day(day, "nothing to say", hand).unwrap());
    crew.level(0);
    clean(&crew);
}

/// Every kind of today in a version of tomorrow, by a helper: where today's version is not theirs to write, neither is that.
#[test]
fn a_known_kind_keeps_its_rights_in_every_version() {
    let (mut crew, machine, [_, _, helper]) = Crew::of_three(15);
    let shop = crew.shop.identity().unwrap().root.shop;
    let helpers = ["visit", "hours", "meter-change", "clearance", "finding", "note", "photo"];
    for kind in Body::KINDS.iter().copied().chain(["weather"]) {
        for (doc, place) in [(machine, Place::Machine), (shop.roster(), Place::Roster), (shop.engines(), Place::Engines)] {
            let body = UnknownBody { kind: kind.to_owned(), v: 2, body: Value::Map(vec![]) };
            let (before, deed) = (crew.phones[helper].book.store().unsent(1).unwrap(), Body::Unknown(body));
            assert_eq!(before, vec![]);
            let deed = Forged { id: RecordId::from_time(crew.now_ms, [7; 10]), by: crew.phones[helper].person, doc, body: deed };
            slip(&crew, helper, place, &deed, crew.now_ms);
            let codes = refused(&mut crew, helper);
            let common = matches!(kind, "note" | "photo");
            let allowed = place.takes(kind) && (helpers.contains(&kind) || (kind == "weather" && place == Place::Machine));
            assert_eq!(codes.is_empty(), allowed, "{kind} of tomorrow in {place:?}: {codes:?}");
            assert!(common || allowed || !held_by_shop(&crew, deed.id), "{kind} {place:?}");
            crew.level(helper);
            crew.wait_min(1);
        }
    }
    clean(&crew);
}

/// A device says its clock is an hour off; the shop measures that it is right. The record's time is in doubt by that hour.
#[test]
fn evidence_that_contradicts_the_shops_measure_is_in_doubt() {
    let hour = 3_600_000;
    let record = |clock| Record {
        id: id(1),
        doc: DocId::from_bytes([2; 16]),
        by: shared::ids::PersonId::from_bytes([3; 16]),
        measured_by: None,
        at_ms: 100 * hour,
        clock,
        seen: vec![],
        body: Body::Note(Note { text: "x".into(), visit: None }),
    };
    let said = |offset_ms| ClockEvidence { offset_ms: Some(offset_ms), uncertainty_ms: Some(50), stepped: false };
    let receipt = Receipt { at_ms: 110 * hour, skew_ms: hour, uncertainty_ms: 5_000, of_writer: true, released: false };
    let honest = correct(&record(said(hour)), Some(&receipt));
    assert_eq!((honest.in_doubt, honest.uncertainty_ms), (false, 50));
    // Reversed, it moves the record by twice its skew.
    let reversed = correct(&record(said(-hour)), Some(&receipt));
    assert!(reversed.in_doubt && reversed.uncertainty_ms >= 2 * hour, "{reversed:?}");
    // Another device's clock says nothing of it.
    let carried = receipt.of_record(DeviceId::from_bytes([1; 16]), DeviceId::from_bytes([2; 16]));
    assert!(!correct(&record(said(-hour)), Some(&carried)).in_doubt);
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
        let forged = Forged { id: id(0x54), by: shared::ids::PersonId::shop(root.shop), doc, body: body.into() };
        signed(&crew.shop, &forged, crew.now_ms).1
    };
    for (doc, vouches) in [(machine, true), (root.shop.roster(), false)] {
        let recipe = next_recipe(&crew.shop, machine, BAD, vec![bytes.clone(), arrival(doc)]);
        let mut delivery = sync_core::delivery::Delivery::open(machine, vec![recipe.into()]);
        delivery.check(crew.shop.roster().unwrap());
        assert_eq!(delivery.vouched.names(deed.id, envelope::sha256(&bytes)), vouches);
        assert!(!delivery.vouched.names(deed.id, Bytes32([0; 32])));
    }
}

/// A lead takes back a role that the office gave: what the office alone writes, the office alone takes back.
#[test]
fn a_lead_takes_back_nothing_of_the_offices() {
    let (mut crew, _, [lead, _, _]) = Crew::of_three(17);
    let other = crew.join("Other", Role::Lead);
    let grant = set_role(&mut crew, other, Some(Role::Helper));
    crew.level_all();
    let said = crew.on(lead, |book, hand| book.void(grant, "no", hand));
    assert!(matches!(said, Err(BookError::Denied(_))), "{said:?}");
    let deed = forged(&crew, lead, 0x63, roster_of(&crew), Void { target: grant, reason: "no".into() });
    slip(&crew, lead, Place::Roster, &deed, crew.now_ms);
    assert_eq!(refused(&mut crew, lead), [Code::RoleMayNot]);
    assert_eq!(crew.shop.roster().unwrap().role_now(crew.phones[other].person), Some(Role::Helper));
    clean(&crew);
}

/// A helper's bundle puts a note into the closings on the office's phone; the shop refuses it, and days can still be closed there.
#[test]
fn what_is_refused_of_the_shops_own_document_leaves_it_there() {
    let (mut crew, _, [_, _, helper]) = Crew::of_three(18);
    let days = crew.shop.identity().unwrap().root.shop.days();
    let deed = forged(&crew, helper, 0x92, days, Note { text: "x".into(), visit: None });
    slip(&crew, helper, Place::Days, &deed, crew.now_ms);
    let bundle = crew.phones[helper].book.make_bundle(&Load::Documents(vec![days]), &crew.moment(helper)).unwrap();
    let moment = crew.moment(0);
    crew.phones[0].book.take_bundle(&bundle.bytes, &moment).unwrap();
    crew.level_all();
    assert!(!held_by_shop(&crew, deed.id));
    let day = sync_core::roster::Roster::day(crew.shop.roster().unwrap(), crew.now_ms);
    crew.on(0, |book, hand| book.close_day(day, "nothing to say", hand).unwrap());
    crew.level_all();
    assert!(crew.shop.closed_day(day, shared::length::LengthUnit::Thou).unwrap().is_some());
    clean(&crew);
}
