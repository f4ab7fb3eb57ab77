//! A book on a disk that is full, that cannot be written, or that has gone bad: what a technician can still do.
//!
//! The terminal's own process, on real file systems of a namespace of its own (`unshare` of util-linux): with the ignored tests.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on ends here")]

use std::io::{Seek, SeekFrom, Write};
use std::path::Path;

use shared::ids::DocId;
use shared::problem::Code;
use shared::record::Stage;
use shared::role::Role;
use sync_core::book::Book;
use sync_core::engine::BookError;
use sync_core::store::{QuarantineState, RefusedBy, Store, StoreError};
use sync_core::sync::bundle::salvage;
use sync_core::sys::clock::ClockReading;
use tests::disk::{Disk, Image};
use tests::{Crew, Dice};

/// A shop whose disk is full takes nothing in: nobody should send it devices.
#[test]
fn a_shop_without_room_is_not_ready() {
    let disk = Disk::new("shop-full", &Image::default());
    let mut crew = Crew::over(31, disk.open().unwrap());
    let at = |crew: &Crew, s: i64| ClockReading { steady_ms: crew.now_ms + s * 1_000, ..ClockReading::at(crew.now_ms + s * 1_000) };
    let now = at(&crew, 0);
    crew.shop.ready(&now).unwrap();
    disk.leave_room(Some(0));
    // Right after a step that was kept it is taken to have room still.
    let (soon, later) = (ClockReading { steady_ms: now.steady_ms + 900, ..now }, at(&crew, 2));
    crew.shop.ready(&soon).unwrap();
    let full = crew.shop.ready(&later);
    assert!(matches!(full, Err(BookError::Store(StoreError::Full))), "{full:?}");
    disk.leave_room(None);
    let later = at(&crew, 4);
    crew.shop.ready(&later).unwrap();
}

/// A technician's book in a file, with readings that the shop does not have.
fn with_unsent(folder: &Path, readings: usize) -> (Crew, DocId, usize) {
    let mut crew = Crew::new(32);
    let person = crew.person("Tech", Role::Tech);
    let tech = crew.phone_on(person, Store::open(&folder.join("book.db")).unwrap());
    let machine = crew.machine("M-1");
    crew.give_yard(tech);
    crew.level_all();
    for n in 0..readings {
        let valve = ["1I", "1E", "2I", "2E"][n % 4];
        crew.read(tech, machine, valve, Stage::Found, 4, 5);
        crew.wait_min(1);
    }
    (crew, machine, tech)
}

#[test]
fn what_a_damaged_book_has_alone_is_saved() {
    let folder = tempfile::tempdir().unwrap();
    let (mut crew, machine, tech) = with_unsent(folder.path(), 40);
    let lead = crew.join("Lead", Role::Lead);
    let unsent: Vec<_> = crew.phones[tech].book.store().outbox().unsent(i64::MAX).unwrap();
    assert_eq!(unsent.len(), 40);
    // Closed, all of it is in the one file.
    crew.phones[tech].book = Book::over(Store::in_memory().unwrap(), &mut crew.dice).unwrap();
    let path = folder.path().join("book.db");
    let whole = std::fs::read(&path).unwrap();
    let now = crew.moment(tech);
    let saved = salvage(&path, &now).unwrap();
    assert_eq!((saved.changes, saved.documents, saved.unreadable), (40, 1, 0));
    // Each page in turn gone bad: what can be read is saved, or whose book it is is said to be lost; the rest is never touched.
    let (mut lost_all, mut saved_some) = (0, 0);
    let pages = whole.len() / 4096;
    for page in 1..pages {
        let damaged = folder.path().join("damaged.db");
        std::fs::write(&damaged, &whole).unwrap();
        let mut file = std::fs::OpenOptions::new().write(true).open(&damaged).unwrap();
        file.seek(SeekFrom::Start(page as u64 * 4096)).unwrap();
        file.write_all(&[0xA5; 4096]).unwrap();
        drop(file);
        let Ok(saved) = salvage(&damaged, &now) else { continue };
        saved_some += 1;
        let lost = 40 - saved.changes;
        assert!(lost == 0 || saved.unreadable > 0, "page {page}: {lost} changes are gone, and nothing says so");
        lost_all += usize::from(lost == 40);
        assert_eq!(saved.bundles.is_empty(), lost == 40, "page {page}: nothing to save is no file");
        for bundle in &saved.bundles {
            let taken = crew.phones[lead].book.peer().take_bundle(bundle, &now).unwrap();
            assert!(taken.refused.is_empty(), "page {page}: {taken:?}");
        }
    }
    assert!(saved_some * 10 >= pages * 8, "{saved_some} of {pages} pages");
    // Of the log's own table one page leads to all others.
    assert!(lost_all <= 1, "{lost_all} of {pages} pages take all with them");
    crew.level(lead);
    let at_shop = unsent.iter().flat_map(|change| &change.recipe.records);
    let held = at_shop.filter(|bytes| {
        let id = sync_core::crypto::envelope::decode_unverified(&bytes.0).unwrap().record.id;
        crew.shop.store().records().held(id).unwrap().is_some()
    });
    assert_eq!(held.count(), 40);
    assert!(crew.shop.store().projections().standings(machine).unwrap().len() >= 4);
}

#[test]
fn a_book_that_is_only_looked_at_keeps_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let (mut crew, machine, tech) = with_unsent(folder.path(), 1);
    crew.phones[tech].book = Book::over(Store::in_memory().unwrap(), &mut crew.dice).unwrap();
    let mut book = Book::open_to_look(&folder.path().join("book.db"), &mut Dice::new(7)).unwrap();
    assert_eq!(book.reader().status().unwrap().waiting, 1);
    let mut dice = Dice::new(8);
    let mut hand = sync_core::commands::ActionContext { now: crew.moment(tech), entropy: &mut dice, measured_by: None };
    let refused = book.author().add_note(machine, "seen", &mut hand);
    assert!(matches!(refused, Err(BookError::Store(StoreError::Unwritable(_)))), "{refused:?}");
}

/// Of a record that only its reader's quarantine still has, the salvage is the last copy.
#[test]
fn what_waits_in_quarantine_is_saved_as_well() {
    let folder = tempfile::tempdir().unwrap();
    let (mut crew, machine, tech) = with_unsent(folder.path(), 0);
    let (helper, lead) = (crew.join("Helper", Role::Helper), crew.join("Lead", Role::Lead));
    crew.give_yard(helper);
    crew.level_all();
    crew.read(tech, machine, "2E", Stage::Found, 4, 5);
    let read: Vec<_> = ["1I", "1E", "2I"].map(|valve| crew.read(helper, machine, valve, Stage::Found, 3, 4)).into();
    for id in &read {
        let bytes = crew.phones[helper].book.store().records().held(*id).unwrap().unwrap().bytes;
        let by = RefusedBy::ThisBook { brought_by: None };
        crew.phones[tech].book.store().quarantine().put(machine, &bytes, Code::RoleMayNot, crew.now_ms, by).unwrap();
    }
    let numbers: Vec<i64> = crew.phones[tech].book.store().quarantine().quarantined().unwrap().iter().map(|held| held.id).collect();
    crew.phones[tech].book.store().quarantine().settle_quarantined(numbers[2], QuarantineState::KeptOut).unwrap();
    crew.phones[tech].book.store().quarantine().put(machine, b"no record", Code::Unreadable, 0, RefusedBy::Shop).unwrap();
    crew.phones[tech].book = Book::over(Store::in_memory().unwrap(), &mut crew.dice).unwrap();
    let moment = crew.moment(tech);
    let saved = salvage(&folder.path().join("book.db"), &moment).unwrap();
    assert_eq!((saved.changes, saved.quarantined, saved.unreadable), (1, 2, 1), "what is no record cannot travel as one");
    let moment = crew.moment(lead);
    let taken = crew.phones[lead].book.peer().take_bundle(&saved.bundles[0], &moment).unwrap();
    assert_eq!((taken.saved, taken.refused.len()), (2, 0), "{taken:?}");
    crew.level(lead);
    let at_shop = read.iter().map(|id| crew.shop.store().records().held(*id).unwrap().is_some());
    assert_eq!(at_shop.collect::<Vec<_>>(), [true, true, false], "what the office keeps out stays out");
    assert_eq!(crew.shop.verify().unwrap().faults, Vec::<String>::new());
}

/// What was kept last may be in the log beside the file alone, as where the phone was switched off.
#[test]
fn a_salvage_leaves_the_file_and_its_log_as_they_are() {
    let folder = tempfile::tempdir().unwrap();
    let (crew, _, tech) = with_unsent(folder.path(), 3);
    let copy = folder.path().join("copy.db");
    let files = [("book.db", "copy.db"), ("book.db-wal", "copy.db-wal")];
    for (from, to) in files {
        std::fs::copy(folder.path().join(from), folder.path().join(to)).unwrap();
    }
    let before = files.map(|(_, name)| std::fs::read(folder.path().join(name)).unwrap());
    assert!(!before[1].is_empty());
    assert_eq!(salvage(&copy, &crew.moment(tech)).unwrap().changes, 3);
    assert!(files.map(|(_, name)| std::fs::read(folder.path().join(name)).unwrap()) == before);
    assert!(matches!(salvage(&folder.path().join("none.db"), &crew.moment(tech)), Err(BookError::Store(StoreError::Unwritable(_)))));
    assert!(!folder.path().join("none.db").exists());
}
