//! Bundles beside a shop that was put back from an older backup: what the shop once held is not what it holds. And exchanges that end.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on ends here")]

use shared::ids::{DocId, RecordId};
use shared::record::Stage;
use shared::role::Role;
use sync_core::book::Book;
use sync_core::book::backup::restore_shop;
use sync_core::store::{QuarantineState, Store};
use sync_core::sync::bundle::{Load, Taken};
use sync_core::sys::clock::ClockReading;
use tests::Crew;

/// A crew of three whose shop is a file, with a backup of it that has the machine and none of its readings.
struct Ground {
    folder: tempfile::TempDir,
    crew: Crew,
    machine: DocId,
    lead: usize,
    tech: usize,
}

impl Ground {
    fn new(seed: u64) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut crew = Crew::over(seed, Store::open(&folder.path().join("shop.db")).unwrap());
        let (lead, tech) = (crew.join("Lead", Role::Lead), crew.join("Tech", Role::Tech));
        let machine = crew.machine("M-1");
        crew.give_yard(tech);
        crew.level_all();
        crew.shop.upkeep().backup_to(&folder.path().join("backup.db")).unwrap();
        Self { folder, crew, machine, lead, tech }
    }

    /// Makes the backup anew, of the shop as it is.
    fn back_up(&mut self) {
        let backup = self.folder.path().join("backup.db");
        std::fs::remove_file(&backup).unwrap();
        self.crew.shop.upkeep().backup_to(&backup).unwrap();
    }

    /// The same without the command for it: somebody copies the file, and nothing tells the shop.
    fn put_back_by_hand(&mut self) {
        let shop = self.folder.path().join("shop.db");
        self.crew.shop = Book::over(Store::in_memory().unwrap(), &mut self.crew.dice).unwrap();
        std::fs::copy(self.folder.path().join("backup.db"), &shop).unwrap();
        self.crew.shop = Book::open(&shop, &mut self.crew.dice).unwrap();
    }

    /// Loses the shop's file and puts the backup in its place.
    fn put_back(&mut self) {
        let shop = self.folder.path().join("shop.db");
        self.crew.shop = Book::over(Store::in_memory().unwrap(), &mut self.crew.dice).unwrap();
        std::fs::remove_file(&shop).unwrap();
        let now = ClockReading::at(self.crew.now_ms);
        restore_shop(&self.folder.path().join("backup.db"), &shop, &now, &mut self.crew.dice).unwrap();
        self.crew.shop = Book::open(&shop, &mut self.crew.dice).unwrap();
    }

    fn hand_over(&mut self, from: usize, to: usize) -> Taken {
        let load = Load::Documents(vec![self.machine]);
        let bundle = self.crew.phones[from].book.outgoing().make_bundle(&load, &self.crew.moment(from)).unwrap();
        let moment = self.crew.moment(to);
        self.crew.phones[to].book.peer().take_bundle(&bundle.bundles[0], &moment).unwrap()
    }

    fn at_the_shop(&self, record: RecordId) -> bool {
        self.crew.shop.store().records().held(record).unwrap().is_some()
    }

    /// Whether a phone's history of the machine says that the shop has a record.
    fn said_at_the_shop(&self, phone: usize, record: RecordId) -> bool {
        let book = &self.crew.phones[phone].book;
        let view = book.machines().machine_view(self.machine, shared::length::LengthUnit::Thou, &self.crew.moment(phone)).unwrap();
        view.history.iter().find(|line| line.record == record).unwrap().at_shop
    }
}

#[test]
fn what_a_bundle_brings_goes_to_the_shop_of_this_epoch_whatever_was_receipted() {
    let mut ground = Ground::new(71);
    let (lead, tech) = (ground.lead, ground.tech);
    let read = ground.crew.read(tech, ground.machine, "1I", Stage::Found, 4, 5);
    ground.crew.level(tech);
    assert!(ground.at_the_shop(read) && ground.said_at_the_shop(tech, read));
    ground.put_back();
    assert!(!ground.at_the_shop(read));
    ground.crew.level(lead);
    // The technician's phone never reaches the shop again.
    ground.hand_over(tech, lead);
    assert!(!ground.said_at_the_shop(lead, read), "a receipt of another epoch says nothing of this shop");
    assert!(ground.crew.phones[lead].book.reader().status().unwrap().waiting > 0);
    ground.crew.level(lead);
    assert!(ground.at_the_shop(read));
    assert!(ground.said_at_the_shop(lead, read));
    let end = ground.crew.shop.store().log().log_end().unwrap();
    ground.crew.level_all();
    assert_eq!(ground.crew.shop.store().log().log_end().unwrap(), end, "level stays level");
}

#[test]
fn a_device_that_a_bundle_names_is_known_to_a_shop_that_was_put_back() {
    let mut ground = Ground::new(72);
    let (lead, person) = (ground.lead, ground.crew.phones[ground.tech].person);
    let newcomer = ground.crew.phone_for(person);
    let read = ground.crew.read(newcomer, ground.machine, "1E", Stage::Found, 5, 6);
    ground.crew.level(newcomer);
    ground.put_back();
    // The lead has not heard of the new phone, and tells the shop of its own epoch nothing of it.
    ground.crew.level(lead);
    ground.hand_over(newcomer, lead);
    ground.crew.level(lead);
    assert!(ground.at_the_shop(read));
    ground.crew.read(newcomer, ground.machine, "1E", Stage::Left, 5, 6);
    ground.crew.level(newcomer);
    assert_eq!(ground.crew.phones[newcomer].book.reader().status().unwrap().waiting, 0);
}

/// Whatever a shop answers: where nothing came nearer, asking again would go on for ever.
#[test]
fn an_exchange_that_changes_nothing_is_the_last() {
    let mut ground = Ground::new(73);
    let tech = ground.tech;
    ground.crew.read(tech, ground.machine, "1I", Stage::Found, 4, 5);
    let request = ground.crew.offer(tech);
    let mut answer = ground.crew.answer(tech, &request);
    // It says that there is more, and nothing of what was offered.
    (answer.cursor, answer.more, answer.vouch) = (answer.since, true, None);
    answer.docs.clear();
    for _ in 0..2 {
        assert!(!ground.crew.take(tech, &answer).more);
    }
    assert_eq!(ground.crew.phones[tech].book.reader().status().unwrap().waiting, 1);
    ground.crew.level(tech);
    assert_eq!(ground.crew.phones[tech].book.reader().status().unwrap().waiting, 0);
}

/// A refusal belongs to its epoch, as a receipt does: the office of a shop that was put back has to see again what is to be decided.
#[test]
fn what_the_shop_refused_is_brought_to_a_shop_that_was_put_back() {
    let mut ground = Ground::new(74);
    let (lead, tech) = (ground.lead, ground.tech);
    ground.crew.take_yard(tech);
    let read = ground.crew.read(tech, ground.machine, "1I", Stage::Found, 4, 5);
    ground.crew.level(tech);
    let waits = |book: &Book| {
        book.store().quarantine().quarantined().unwrap().iter().any(|q| q.record == Some(read) && q.state == QuarantineState::Waiting)
    };
    assert!(waits(&ground.crew.shop) && waits(&ground.crew.phones[tech].book));
    ground.put_back();
    assert!(!waits(&ground.crew.shop));
    ground.crew.level(0);
    ground.crew.level(lead);
    ground.crew.level(tech);
    assert!(waits(&ground.crew.shop), "the office cannot decide on what it does not see");
    assert!(waits(&ground.crew.phones[tech].book) && ground.crew.phones[tech].book.verify().unwrap().faults.is_empty());
    let end = ground.crew.shop.store().log().log_end().unwrap();
    ground.crew.level_all();
    assert_eq!(ground.crew.shop.store().log().log_end().unwrap(), end, "level stays level");
}

/// Quarantine is no part of the log, so a log that ends where it did proves nothing of it.
#[test]
fn a_shop_whose_copy_lacks_a_refused_record_alone_finds_out() {
    let mut ground = Ground::new(75);
    let tech = ground.tech;
    ground.crew.take_yard(tech);
    ground.crew.level_all();
    ground.back_up();
    let end = ground.crew.shop.store().log().log_end().unwrap();
    let read = ground.crew.read(tech, ground.machine, "1I", Stage::Found, 4, 5);
    ground.crew.level(tech);
    let waits = |crew: &tests::Crew| {
        let all = crew.shop.store().quarantine().quarantined().unwrap();
        all.iter().any(|q| q.record == Some(read) && q.state == QuarantineState::Waiting)
    };
    assert!(waits(&ground.crew));
    assert_eq!(ground.crew.shop.store().log().log_end().unwrap(), end, "nothing else came in");
    ground.put_back_by_hand();
    assert!(!waits(&ground.crew));
    ground.crew.level_all();
    assert!(waits(&ground.crew), "the office cannot decide on what it does not see");
    let end = ground.crew.shop.store().log().log_end().unwrap();
    ground.crew.level_all();
    assert_eq!(ground.crew.shop.store().log().log_end().unwrap(), end, "level stays level");
}
