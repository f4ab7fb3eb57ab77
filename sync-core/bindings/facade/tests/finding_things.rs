//! What the next person is told, what is looked for in lists, and what is taken back.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

mod common;

use shared::ids::{DocId, PropertyId};
use shared::record::{FindingKind, MachineCard, Stage};
use sync_core::commands::{ReadingEntry, VisitEntry};
use sync_core::queries::{DueQuery, Only, Order};
use tappet_kit::Kit;

use common::{Shop, shop, thou};

/// A tech's phone that has the shop's one yard with its machine.
fn phone() -> (Shop, Kit, PropertyId) {
    let mut shop = shop();
    let mut kit = shop.phone(0);
    shop.enrol(&mut kit);
    shop.level(&mut kit);
    let yard = kit.properties().unwrap()[0].property;
    (shop, kit, yard)
}

fn provisional(kit: &Kit, tag: &str, yard: PropertyId) -> MachineCard {
    let card = kit.engine_cards().unwrap()[0].card;
    let mut card: MachineCard = serde_json::from_value(serde_json::json!({ "tag": tag, "property": yard, "engine_card": card })).unwrap();
    card.description = "Zero-turn".into();
    card
}

#[test]
fn a_note_is_on_top_for_the_next_person_until_it_is_taken_back() {
    let (mut shop, mut kit, yard) = phone();
    let machine = shop.machine;
    kit.add_note(machine, "Choke sticks").unwrap();
    kit.add_note(yard.doc(), "Dog behind the gate").unwrap();
    shop.level(&mut kit);
    let shown = shop
        .book
        .machines()
        .machine_screen(machine, shared::length::LengthUnit::Thou, &sync_core::sys::clock::ClockReading::at(shop.world.now()))
        .unwrap();
    assert_eq!(shown.notes.iter().map(|note| (note.text.as_str(), note.by.as_str())).collect::<Vec<_>>(), [("Choke sticks", "Tech")]);
    let place = kit.property(yard).unwrap();
    assert_eq!((place.notes[0].text.as_str(), place.more_notes), ("Dog behind the gate", 0));

    // One's own may be taken back, and is on top no more; what founds the machine may not.
    let own = kit.to_take_back(machine).unwrap();
    assert_eq!(own, [shown.notes[0].record]);
    kit.void(own[0], "Entered wrongly").unwrap();
    assert!(kit.machine(machine).unwrap().notes.is_empty());
    assert!(kit.to_take_back(machine).unwrap().is_empty());
}

#[test]
fn a_step_asked_for_twice_under_one_key_is_done_once() {
    let (shop, mut kit, _) = phone();
    let machine = shop.machine;
    let notes = |kit: &mut Kit| kit.machine(machine).unwrap().history.iter().filter(|line| line.kind == "note").count();
    let step = |kit: &mut Kit| Ok(kit.add_note(machine, "Belt worn")?.to_string());
    let first = kit.once("a", step).unwrap();
    assert_eq!(kit.once("a", step).unwrap(), first);
    assert_eq!(notes(&mut kit), 1);
    assert_ne!(kit.once("b", step).unwrap(), first);
    assert_eq!(notes(&mut kit), 2);
    // One that failed has kept nothing, neither a record nor an answer.
    let failing =
        |kit: &mut Kit| kit.add_note(machine, "Half").and_then(|_| kit.void(machine_as_record(machine), "none")).map(|id| id.to_string());
    assert_eq!(kit.once("c", failing).unwrap_err().code(), "not-found");
    assert_eq!(notes(&mut kit), 2);
    kit.once("c", step).unwrap();
    assert_eq!(notes(&mut kit), 3);
}

/// An id that names no record.
fn machine_as_record(machine: DocId) -> shared::ids::RecordId {
    shared::ids::RecordId::from_bytes(*machine.as_bytes())
}

#[test]
fn an_unlisted_machine_is_entered_and_found_by_what_people_call_it() {
    let (_shop, mut kit, yard) = phone();
    let doc = kit.add_machine(provisional(&kit, "Z-9", yard)).unwrap();
    assert!(kit.machine(doc).unwrap().provisional);
    let twice = kit.add_machine(provisional(&kit, "z-9", yard)).unwrap_err();
    assert!(twice.sentence().contains("already"), "{}", twice.sentence());
    // A tag may look like the last digits of another machine's id.
    let looks = doc.to_string();
    let looks = looks.get(looks.len() - 8..).unwrap();
    let alike = kit.add_machine(provisional(&kit, looks, yard)).unwrap();
    let entered = kit.machine(alike).unwrap().history[0].record;
    kit.void(entered, "Only to be looked at").unwrap();
    let tags = |kit: &mut Kit, query: &DueQuery| kit.due_page(query).unwrap().lines.into_iter().map(|line| line.tag).collect::<Vec<_>>();
    let words = |text: &str| DueQuery { find: text.into(), ..DueQuery::default() };
    for (text, found) in
        [("z-9", vec!["Z-9"]), ("zero", vec!["Z-9"]), ("invented m-", vec!["M-1"]), ("z-9 m-1", vec![]), ("twin", vec!["M-1", "Z-9"])]
    {
        assert_eq!(tags(&mut kit, &words(text)), found, "{text}");
    }
    // On hold comes first in every order, and alone where that is asked.
    kit.add_finding(doc, FindingKind::Hold, "Blade loose").unwrap();
    for order in [Order::Pressing, Order::Tag, Order::Place] {
        assert_eq!(tags(&mut kit, &DueQuery { order: Some(order), ..DueQuery::default() }), ["Z-9", "M-1"], "{order:?}");
    }
    assert_eq!(tags(&mut kit, &DueQuery { only: Some(Only::Held), ..DueQuery::default() }), ["Z-9"]);
    let page = kit.due_page(&DueQuery { skip: 1, ..DueQuery::default() }).unwrap();
    assert_eq!((page.lines.len(), page.found, page.all), (1, 2, 2));
    let round = kit.round_page(&words("m-1")).unwrap();
    assert_eq!((round.stops[0].due.len(), round.stops[0].found, round.found, round.all), (1, 1, 1, 1));
    assert!(kit.round_page(&DueQuery { only: Some(Only::Contested), ..DueQuery::default() }).unwrap().stops.is_empty());
}

#[test]
fn a_kept_clearance_is_taken_back_and_its_valve_is_read_again() {
    let (shop, mut kit, _) = phone();
    let machine = shop.machine;
    kit.open_visit(machine, &VisitEntry { cold: true, cautions_confirmed: true, ..VisitEntry::default() }).unwrap();
    let valve = "1I".parse().unwrap();
    let entry =
        ReadingEntry { valve, stage: Stage::Found, go: Some(thou(5)), no_go: Some(thou(6)), leaves: vec![], adjusted: false, cold: None };
    let kept = kit.take_reading(machine, entry).unwrap().record;
    assert!(kit.to_take_back(machine).unwrap().contains(&kept));
    kit.void(kept, "Entered wrongly").unwrap();
    let guide = kit.guide(machine).unwrap();
    assert_eq!((guide.next, guide.valves[0].last.is_none()), (Some(valve), true));
    assert!(kit.machine(machine).unwrap().lash.iter().all(|line| line.lash.stands.is_none()));
}
