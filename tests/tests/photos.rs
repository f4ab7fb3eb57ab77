//! Photos: who may send and see the bytes of one, and which of its own a device still has to send.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use shared::bytes::Bytes32;
use shared::ids::{DocId, RecordId};
use shared::problem::{Code, Problem};
use shared::record::Photo;
use shared::role::Role;
use sync_core::book::photo::{PhotoError, STAYS_MS, Whereabouts};
use sync_core::book::pictures::sha256;
use sync_core::engine::BookError;
use sync_core::store::{EPOCH, MetaKey};
use tests::Crew;

const HASH: Bytes32 = Bytes32([7; 32]);

fn photo(sha256: Bytes32) -> Photo {
    Photo { sha256, size_bytes: 12, media_type: "image/jpeg".to_owned(), caption: "meter".to_owned(), visit: None }
}

fn note(crew: &mut Crew, phone: usize, doc: DocId, hash: Bytes32) -> RecordId {
    crew.on(phone, |book, hand| book.author().add_photo(doc, photo(hash), hand)).unwrap()
}

/// Hashes that are due on a phone, and whether each may be sent now.
fn due(crew: &Crew, phone: usize) -> Vec<(Bytes32, bool)> {
    let due = crew.phones[phone].book.photos().due(&crew.moment(phone)).unwrap();
    due.into_iter().map(|due| (due.photo.sha256, due.ready)).collect()
}

#[test]
fn whoever_may_read_the_document_may_send_and_see_its_photos_and_nobody_else() {
    let (mut crew, machine, [lead, tech, helper]) = Crew::of_three(1);
    let other = crew.machine("M-2");
    let stranger = crew.join("Nobody's helper", Role::Helper);
    let people = |crew: &Crew, phones: [usize; 4]| phones.map(|phone| crew.phones[phone].person);
    let [lead_is, tech_is, helper_is, stranger_is] = people(&crew, [lead, tech, helper, stranger]);
    let open = |crew: &Crew, person, doc, hash| crew.shop.photos().open_to(person, doc, hash);
    // Before the record is at the shop, its bytes are nobody's.
    note(&mut crew, helper, machine, HASH);
    assert!(matches!(open(&crew, helper_is, machine, HASH), Err(PhotoError::NotNoted)));
    crew.level_all();
    for person in [lead_is, tech_is, helper_is, crew.phones[0].person] {
        assert!(open(&crew, person, machine, HASH).is_ok());
    }
    assert!(matches!(open(&crew, stranger_is, machine, HASH), Err(PhotoError::Closed)));
    assert!(matches!(open(&crew, tech_is, other, HASH), Err(PhotoError::NotNoted)));
    assert!(matches!(open(&crew, tech_is, machine, Bytes32([8; 32])), Err(PhotoError::NotNoted)));
    assert!(matches!(open(&crew, tech_is, DocId::from_bytes([9; 16]), HASH), Err(PhotoError::Closed)));
}

#[test]
fn a_photo_that_was_taken_back_is_neither_sent_nor_seen_unless_it_was_noted_again() {
    let (mut crew, machine, [_, tech, _]) = Crew::of_three(2);
    let first = note(&mut crew, tech, machine, HASH);
    crew.on(tech, |book, hand| book.author().void(first, "wrong machine", hand)).unwrap();
    assert_eq!(due(&crew, tech), []);
    crew.level_all();
    let person = crew.phones[tech].person;
    assert!(matches!(crew.shop.photos().open_to(person, machine, HASH), Err(PhotoError::TakenBack)));
    note(&mut crew, tech, machine, HASH);
    crew.level_all();
    assert!(crew.shop.photos().open_to(person, machine, HASH).is_ok());
    let view = crew.shop.machines().machine_view(machine, shared::length::LengthUnit::Thou, &crew.moment(0)).unwrap();
    assert_eq!(view.photos.iter().map(|photo| (photo.sha256, photo.record == first)).collect::<Vec<_>>(), [(HASH, false)]);
}

#[test]
fn a_photo_is_due_until_the_shop_says_that_it_has_it_and_sent_once_its_record_is_there() {
    let (mut crew, machine, [lead, tech, _]) = Crew::of_three(3);
    note(&mut crew, tech, machine, HASH);
    assert_eq!(due(&crew, tech), [(HASH, false)]);
    let denied = crew.on(tech, |book, _| book.photos().note_let_go(machine, HASH));
    assert!(matches!(denied, Err(BookError::Denied(_))), "never before the shop has it: {denied:?}");
    crew.level_all();
    assert_eq!((due(&crew, tech), due(&crew, lead)), (vec![(HASH, true)], vec![]));
    let closed = Problem::new(Code::DocumentClosed, 404, "Closed.");
    // Refused for now: not again at once, and not never.
    crew.on(tech, |book, hand| book.photos().note_refused(machine, HASH, &closed, &hand.now)).unwrap();
    assert_eq!(due(&crew, tech), [(HASH, false)]);
    crew.wait_min(61);
    assert_eq!(due(&crew, tech), [(HASH, true)]);
    crew.on(tech, |book, hand| book.photos().note_at_shop(machine, HASH, &hand.now)).unwrap();
    assert_eq!(due(&crew, tech), []);
    // What the shop has is not said to be lost, whatever becomes of the bytes here.
    crew.on(tech, |book, _| book.photos().note_gone(machine, HASH)).unwrap();
    assert!(matches!(crew.phones[tech].book.photos().own().unwrap()[0].bytes, Whereabouts::AtShop { .. }));
    let to_let_go = |crew: &Crew| crew.phones[tech].book.photos().to_let_go(&crew.moment(tech)).unwrap().len();
    assert_eq!(to_let_go(&crew), 0);
    crew.wait_min(STAYS_MS / 60_000);
    assert_eq!(to_let_go(&crew), 1);
    crew.on(tech, |book, _| book.photos().note_let_go(machine, HASH)).unwrap();
    assert_eq!((to_let_go(&crew), crew.phones[tech].book.photos().own().unwrap().len()), (0, 0));
}

#[test]
fn a_shop_that_was_put_back_is_offered_the_pictures_again() {
    let (mut crew, machine, [_, tech, _]) = Crew::of_three(4);
    note(&mut crew, tech, machine, HASH);
    crew.level_all();
    crew.on(tech, |book, hand| book.photos().note_at_shop(machine, HASH, &hand.now)).unwrap();
    assert_eq!(due(&crew, tech), []);
    let store = crew.phones[tech].book.store();
    store.set_meta(&EPOCH, &shared::bytes::Bytes16([9; 16])).unwrap();
    assert_eq!(due(&crew, tech), [(HASH, true)]);
}

#[test]
fn what_will_not_get_there_is_said_and_not_tried_for_ever() {
    let (mut crew, machine, [_, tech, _]) = Crew::of_three(5);
    note(&mut crew, tech, machine, HASH);
    crew.level_all();
    crew.on(tech, |book, _| book.photos().note_gone(machine, HASH)).unwrap();
    assert_eq!(due(&crew, tech), []);
    let own = crew.phones[tech].book.photos().own().unwrap();
    assert!(matches!(&own[0].bytes, Whereabouts::Stopped { code: Code::PhotoGone }), "{own:?}");
}

#[test]
fn a_book_from_before_knows_its_own_photos_by_its_records() {
    let (mut crew, machine, [_, tech, helper]) = Crew::of_three(6);
    note(&mut crew, tech, machine, HASH);
    note(&mut crew, helper, machine, sha256(b"another"));
    crew.level_all();
    for phone in [tech, helper] {
        crew.phones[phone].book.store().clear_meta(&MetaKey::<()>::new("photos")).unwrap();
    }
    assert_eq!((due(&crew, tech), due(&crew, helper)), (vec![(HASH, true)], vec![(sha256(b"another"), true)]));
}
