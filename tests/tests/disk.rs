//! The store on a disk that is full, read-only, torn or lying: a clear sentence, nothing lost, and on again afterwards.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use shared::record::Stage;
use shared::role::Role;
use sync_core::book::{Book, BookError};
use sync_core::store::StoreError;
use sync_core::work::Hand;
use tests::disk::{Disk, Image};
use tests::{Crew, Dice};

/// A level crew whose tech's book is on a disk of its own.
fn on_disk(name: &str) -> (Crew, Disk, usize, shared::ids::DocId) {
    let mut crew = Crew::new(11);
    let person = crew.person("Tech", Role::Tech);
    let disk = Disk::new(name, &Image::default());
    let tech = crew.phone_on(person, disk.open().unwrap());
    let machine = crew.machine("M-1");
    crew.give_yard(tech);
    crew.level_all();
    (crew, disk, tech, machine)
}

fn note(crew: &mut Crew, tech: usize, machine: shared::ids::DocId) -> Result<shared::ids::RecordId, BookError> {
    let long = "what was seen ".repeat(100);
    crew.on(tech, |book, hand| book.add_note(machine, &long, hand))
}

#[test]
fn a_full_disk_says_so_keeps_what_was_kept_and_goes_on_once_there_is_room() {
    let (mut crew, disk, tech, machine) = on_disk("full");
    let before = crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    disk.leave_room(Some(300_000));
    let mut kept = vec![];
    let error = loop {
        match note(&mut crew, tech, machine) {
            Ok(id) => kept.push(id),
            Err(error) => break error,
        }
    };
    assert!(!kept.is_empty() && matches!(error, BookError::Store(StoreError::Full)), "{error:?}");
    assert_eq!(error.to_string(), "the disk is full; nothing of this step was kept, everything before it was. Make room and try again");
    // Looking still works, and the step that failed left nothing.
    let book = &crew.phones[tech].book;
    assert!(kept.iter().chain([&before]).all(|id| book.store().held(*id).unwrap().is_some()));
    assert_eq!(usize::try_from(book.status().unwrap().waiting).unwrap(), kept.len() + 1);
    // An exchange that finds no room fails as a whole and is made good later.
    let request = crew.offer(tech);
    let answer = crew.answer(tech, &request);
    let moment = crew.moment(tech);
    disk.leave_room(Some(0));
    let taken = crew.phones[tech].book.take_answer(&moment, &answer, &moment, &mut crew.dice);
    assert!(matches!(taken, Err(BookError::Store(StoreError::Full))), "{taken:?}");
    disk.leave_room(None);
    kept.push(note(&mut crew, tech, machine).unwrap());
    crew.level_all();
    let book = &crew.phones[tech].book;
    assert_eq!((book.status().unwrap().waiting, book.verify().unwrap().faults), (0, vec![]));
    assert!(kept.iter().chain([&before]).all(|id| crew.shop.store().held(*id).unwrap().is_some()));
}

#[test]
fn a_disk_that_turned_read_only_says_so_and_nothing_is_lost() {
    let (mut crew, disk, tech, machine) = on_disk("read-only");
    let before = crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    disk.read_only(true);
    let error = note(&mut crew, tech, machine).unwrap_err().to_string();
    assert!(error.contains("nothing of this step was kept"), "{error}");
    assert!(crew.phones[tech].book.store().held(before).unwrap().is_some(), "what is there can be looked at");
    // Opened anew on a read-only disk it can be looked at, and says why nothing can be written.
    let mut dice = Dice::new(5);
    crew.phones[tech].book = Book::over(disk.open().unwrap(), &mut dice).unwrap();
    let error = note(&mut crew, tech, machine).unwrap_err();
    assert!(matches!(&error, BookError::Store(StoreError::Unwritable(_))), "{error:?}");
    disk.read_only(false);
    crew.phones[tech].book = Book::over(disk.open().unwrap(), &mut dice).unwrap();
    note(&mut crew, tech, machine).unwrap();
    crew.level_all();
    assert!(crew.phones[tech].book.verify().unwrap().faults.is_empty());
    assert!(crew.shop.store().held(before).unwrap().is_some());
}

/// The power goes at each single operation of one step, with several falls of the dice for what the disk then holds: the
/// step is there whole or not at all, what was before is there, and what was reported kept is there.
#[test]
fn the_power_goes_at_every_single_operation_of_a_step() {
    let (mut crew, disk, tech, machine) = on_disk("cut");
    let before = crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    let start = disk.image();
    let moment = crew.moment(tech);
    let mut cuts = 0;
    for at in 0.. {
        let mut reached = false;
        for fall in 0..6 {
            let disk = Disk::new(&format!("cut-{at}-{fall}"), &start);
            let mut dice = Dice::new(u64::from(at) * 64 + fall + 1);
            let mut book = Book::over(disk.open().unwrap(), &mut dice).unwrap();
            disk.cut_power_in(at);
            let done = book.add_note(machine, "one step", &mut Hand { now: moment, entropy: &mut dice, measured_by: None });
            drop(book);
            if disk.is_off() {
                reached = true;
                cuts += 1;
                disk.power_on(&mut dice);
            }
            let book = Book::over(disk.open().unwrap(), &mut dice).unwrap();
            assert_eq!(book.verify().unwrap().faults, Vec::<String>::new(), "cut at {at}, fall {fall}");
            assert!(book.store().held(before).unwrap().is_some(), "cut at {at}, fall {fall}");
            let waiting = book.status().unwrap().waiting;
            match done {
                Ok(id) => assert!(book.store().held(id).unwrap().is_some(), "reported kept; cut at {at}, fall {fall}"),
                Err(_) => assert!(waiting == 1 || waiting == 2, "whole or not at all; cut at {at}, fall {fall}"),
            }
        }
        if !reached {
            break;
        }
    }
    assert!(cuts > 12, "the power went {cuts} times");
}

#[test]
fn a_disk_that_lied_loses_an_end_and_the_shop_brings_it_back() {
    // What is lost is the dice's to say: of several falls, some lose readings.
    let lost = (1..=8).filter(|fall| a_fall_of_a_disk_that_lied(*fall)).count();
    assert!(lost > 0, "no fall lost a reading: the test shows nothing");
}

/// Whether a reading was gone after the power came back. It is there again after an exchange in any case.
fn a_fall_of_a_disk_that_lied(fall: u64) -> bool {
    let (mut crew, disk, tech, machine) = on_disk(&format!("lying-{fall}"));
    disk.lie(true);
    let mut read = vec![];
    for _ in 0..5 {
        read.push(crew.read(tech, machine, "1I", Stage::Found, 4, 5));
        crew.level(tech);
    }
    disk.cut_power();
    crew.phones[tech].book = Book::over(Disk::new(&format!("aside-{fall}"), &Image::default()).open().unwrap(), &mut Dice::new(1)).unwrap();
    let mut dice = Dice::new(fall);
    disk.power_on(&mut dice);
    crew.phones[tech].book = Book::over(disk.open().unwrap(), &mut dice).unwrap();
    let there = |crew: &Crew| read.iter().filter(|id| crew.phones[tech].book.store().held(**id).unwrap().is_some()).count();
    let lost = there(&crew) < read.len();
    crew.level_all();
    assert_eq!(there(&crew), read.len());
    assert!(crew.phones[tech].book.verify().unwrap().faults.is_empty());
    lost
}
