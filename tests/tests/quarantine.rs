//! Quarantine is decided on knowing what it holds: every record in words and by whom, and what letting it in would change is what
//! letting it in then changes.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use shared::bytes::Bytes32;
use shared::ids::{DocId, RecordId};
use shared::length::LengthUnit;
use shared::record::{Body, FindingKind, Photo, Stage};
use shared::slot::Slot;
use sync_core::book::Book;
use sync_core::commands::VisitEntry;
use sync_core::queries::QuarantineView;
use sync_core::store::{QuarantineState, RefusedBy};
use sync_core::sys::clock::ClockReading;
use tests::Crew;

/// A machine with a history, and a phone whose owner went on with it after the office had revoked it: one record of each kind waits.
fn waiting() -> (Crew, DocId) {
    let (mut crew, machine, [lead, tech, _]) = Crew::of_three(31);
    crew.read(lead, machine, "1I", Stage::Found, 5, 6);
    crew.read(tech, machine, "1E", Stage::Found, 5, 6);
    let doubted = crew.read(tech, machine, "2I", Stage::Found, 9, 10);
    crew.level_all();
    let device = crew.phones[tech].book.identity().unwrap().device;
    crew.on(0, |book, hand| book.author().revoke_device(device, "left behind", hand).unwrap());
    crew.level(0);
    crew.wait_min(30);
    crew.on(tech, |book, hand| {
        let entry = VisitEntry { cold: true, cautions_confirmed: true, meter: Some("100.0".parse().unwrap()), ..Default::default() };
        book.author().open_visit(machine, &entry, hand).unwrap();
    });
    crew.read(tech, machine, "1I", Stage::Found, 8, 9);
    crew.read(tech, machine, "1E", Stage::Left, 4, 5);
    crew.on(tech, |book, hand| {
        book.author().void(doubted, "wrong valve", hand).unwrap();
        let finding = book.author().add_finding(machine, FindingKind::Hold, "blade cracked", hand).unwrap();
        book.author().clear_finding(finding, "blade changed", hand).unwrap();
        book.author().add_note(machine, "gate sticks", hand).unwrap();
        let photo = Photo { sha256: Bytes32([7; 32]), size_bytes: 9, media_type: "image/jpeg".into(), caption: String::new(), visit: None };
        book.author().add_photo(machine, photo, hand).unwrap();
        book.author().finish_visit(machine, None, "", hand).unwrap();
    });
    crew.level(tech);
    (crew, machine)
}

fn views(crew: &Crew) -> Vec<QuarantineView> {
    let now = crew.moment(0);
    crew.shop.reader().quarantine_views(Some(QuarantineState::Waiting), 0, usize::MAX, LengthUnit::Thou, &now).unwrap()
}

fn stands(book: &Book, machine: DocId, slot: &Slot) -> Option<RecordId> {
    book.store().projections().standing(machine, slot).unwrap().and_then(|standing| standing.stands)
}

#[test]
fn what_it_says_it_would_change_is_what_letting_it_in_changes() {
    let (mut crew, machine) = waiting();
    let mut seen = Vec::new();
    // Each is told of as the book stands when its turn comes.
    while let Some(view) = views(&crew).into_iter().next() {
        let id = view.line.held.record.unwrap();
        let kind = view.line.held.kind.clone().unwrap();
        assert!(!view.line.words.is_empty() && view.line.headline().starts_with("M-1: "), "{view:?}");
        assert!(view.can_be_let_in && view.line.by_name == "Tech" && view.line.role == "tech" && view.line.stated_ms.is_some(), "{view:?}");
        let told = view.would_change.join(" ");
        // What is a thing of its own changes nothing that stands, and is told of by its own words.
        let body = sync_core::crypto::envelope::decode_unverified(&view.line.held.bytes).unwrap().record;
        let slot = Slot::of(&body).unwrap();
        let before = stands(&crew.shop, machine, &slot);
        let (office, now) = (crew.phones[0].person, ClockReading::at(crew.now_ms));
        crew.shop.peer().release(view.line.held.id, office, &now, &mut crew.dice).unwrap();
        let after = stands(&crew.shop, machine, &slot);
        match &body.body {
            Body::Void(void) => {
                assert!(told.starts_with("It would undo “2I found: "), "{told}");
                assert_eq!(stands(&crew.shop, machine, &Slot::Lash("2I".parse().unwrap(), Stage::Found)), None, "{void:?}");
            }
            Body::Visit(_) | Body::Finding(_) | Body::Note(_) | Body::Photo(_) => assert!(!told.contains("stand"), "{kind}: {told}"),
            _ if after == Some(id) => {
                assert!(told.contains("this would.") || told.contains("This would stand in its place."), "{kind}: {told}")
            }
            _ => {
                assert_eq!(before, after, "{kind}: {told}");
                assert!(told.contains("would go on standing"), "{kind}: {told}");
            }
        }
        if matches!(body.body, Body::Finding(_)) {
            assert!(told.contains("on hold: do not run"), "{told}");
        }
        let wants = crew.shop.store().projections().standing(machine, &slot).unwrap().is_some_and(|standing| standing.wants_ruling());
        assert_eq!(told.contains("a ruling would be needed"), wants, "{kind}: {told}");
        seen.push(kind);
    }
    seen.sort();
    seen.dedup();
    let kinds = ["clearance", "finding", "finding-cleared", "hours", "note", "photo", "sign-off", "visit", "void"];
    assert_eq!(seen, kinds);
    // What was let in says of why it waited only what its code says: that the book holds it now is no reason.
    for line in crew.shop.reader().quarantine_lines(0, usize::MAX, LengthUnit::Thou).unwrap() {
        assert_eq!(line.held.state, QuarantineState::Released);
        assert!(!line.detail.contains("never comes in"), "{}", line.detail);
    }
}

#[test]
fn what_can_never_come_in_says_so_and_offers_nothing() {
    let (crew, machine) = waiting();
    let store = crew.shop.store();
    store
        .quarantine()
        .put(machine, b"no record", shared::problem::Code::BodyInvalid, crew.now_ms, RefusedBy::ThisBook { brought_by: None })
        .unwrap();
    let view = views(&crew).pop().unwrap();
    assert!(
        !view.can_be_let_in && view.line.words.is_empty() && view.line.headline() == "A record that cannot be read, for M-1",
        "{view:?}"
    );
    assert_eq!(view.line.detail, "the record cannot be read, and so never comes in.");
    assert_eq!(view.would_change, ["Nothing: the record cannot be read, and so never comes in."]);
}
