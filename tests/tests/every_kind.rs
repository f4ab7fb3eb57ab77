//! Every kind of record is written by somebody with the right, reaches the shop and every phone, and is read back; what this
//! version does not understand is carried and passed on.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use std::collections::BTreeSet;

use fixtures::forge::{Forged, own_id, slip_in};
use shared::bytes::{Bytes16, Bytes32};
use shared::ids::RecordId;
use shared::length::LengthUnit;
use shared::record::{Body, Decision, FindingKind, MeterChange, Photo, Stage, UnknownBody};
use shared::role::Role;
use shared::slot::Slot;
use sync_core::book::Book;
use sync_core::commands::VisitEntry;
use sync_core::judge::permissions::DocKind;
use sync_core::queries::Fate;
use tests::Crew;

fn kinds(book: &Book) -> BTreeSet<String> {
    let store = book.store();
    let documents = store.documents().all().unwrap();
    documents
        .iter()
        .flat_map(|d| store.records().ledger(d.num).unwrap().entries().map(|e| e.record.body.kind().to_owned()).collect::<Vec<_>>())
        .collect()
}

#[test]
fn every_kind_is_written_and_read_everywhere() {
    let mut crew = Crew::new(5);
    let lead = crew.join("Lead", Role::Lead);
    let tech = crew.join("Tech", Role::Tech);
    let machine = crew.machine("M-1");
    crew.give_yard(tech);
    crew.level_all();
    let visit = VisitEntry { cold: true, cautions_confirmed: true, meter: Some("100.0".parse().unwrap()), ..Default::default() };
    crew.on(tech, |book, hand| book.author().open_visit(machine, &visit, hand).unwrap());
    let by_tech = crew.read(tech, machine, "1I", Stage::Found, 5, 6);
    let by_lead = crew.read(lead, machine, "1I", Stage::Found, 3, 4);
    let slip = crew.read(tech, machine, "1E", Stage::Found, 9, 10);
    crew.on(tech, |book, hand| book.author().void(slip, "wrong valve", hand).unwrap());
    crew.on(tech, |book, hand| {
        let change = MeterChange { old: "100.0".parse().unwrap(), new: "0.0".parse().unwrap(), changed_ms: Some(0) };
        book.author().change_meter(machine, change, hand).unwrap();
        let finding = book.author().add_finding(machine, FindingKind::Watch, "belt worn", hand).unwrap();
        book.author().clear_finding(finding, "belt changed", hand).unwrap();
        book.author().add_note(machine, "gate sticks", hand).unwrap();
        let photo = Photo { sha256: Bytes32([7; 32]), size_bytes: 9, media_type: "image/jpeg".into(), caption: String::new(), visit: None };
        book.author().add_photo(machine, photo, hand).unwrap();
        book.author().finish_visit(machine, None, "", hand).unwrap()
    });
    crew.level_all();
    let slot = Slot::Lash("1I".parse().unwrap(), Stage::Found);
    crew.on(0, |book, hand| book.author().rule(machine, &slot, Decision::Stands(by_tech), "", hand).unwrap());
    crew.on(0, |book, hand| book.author().close_day("2026-06-01".parse().unwrap(), "", hand).unwrap());
    let person = crew.phones[tech].person;
    let spare = crew.phone_for(person);
    let device = crew.phones[spare].book.identity().unwrap().device;
    crew.on(0, |book, hand| book.author().revoke_device(device, "dropped in a pond", hand).unwrap());
    crew.phones.pop();
    crew.level_all();
    let all: BTreeSet<String> = Body::KINDS.iter().map(|kind| (*kind).to_owned()).collect();
    for book in [&crew.shop, &crew.phones[0].book, &crew.phones[lead].book] {
        assert_eq!(kinds(book), all);
        assert_eq!(book.verify().unwrap().faults, Vec::<String>::new());
    }
    let view = crew.phones[lead].book.machines().machine_view(machine, LengthUnit::Thou, &crew.moment(lead)).unwrap();
    let fate = |id: RecordId| view.history.iter().find(|line| line.record == id).unwrap().fate;
    assert_eq!((fate(by_tech), fate(by_lead), fate(slip)), (Fate::Stands, Fate::Contends, Fate::Voided));
    assert!(view.history.iter().all(|line| line.at_shop && !line.words.is_empty()));
    assert_eq!(view.findings, vec![], "the finding was cleared");
}

#[test]
fn a_kind_of_tomorrow_is_carried_and_passed_on() {
    let mut crew = Crew::new(6);
    let lead = crew.join("Lead", Role::Lead);
    let machine = crew.machine("M-1");
    crew.level_all();
    let newer = Forged {
        id: own_id(&crew.phones[lead].book, 0x70),
        by: crew.phones[lead].person,
        doc: machine,
        body: Body::Unknown(UnknownBody { kind: "torque".into(), v: 3, body: shared::cbor::to_value(&42).unwrap() }),
    };
    let now_ms = crew.now_ms;
    slip_in(&crew.phones[lead].book, machine, DocKind::Machine, Bytes16([1; 16]), std::slice::from_ref(&newer), now_ms);
    let report = crew.exchange(lead);
    assert_eq!(report.refused, vec![]);
    crew.level_all();
    for book in [&crew.shop, &crew.phones[0].book] {
        let held = book.store().records().held(newer.id).unwrap().unwrap();
        assert_eq!(held.entry.record.body, newer.body);
        assert_eq!(book.verify().unwrap().faults, Vec::<String>::new());
    }
    let view = crew.phones[0].book.machines().machine_view(machine, LengthUnit::Thou, &crew.moment(0)).unwrap();
    let line = view.history.iter().find(|line| line.record == newer.id).unwrap();
    assert_eq!((line.fate, line.words.as_str()), (Fate::NotUnderstood, "a torque of version 3: a newer program understands it"));
}
