//! Restore drills: a shop put back from last night or from its founding, a phone put back or copied, documents and derived
//! rows made anew from records, and backups made while devices exchange. Real files, the pure exchange.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on ends here")]

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use shared::bytes::{Bytes16, Bytes32};
use shared::ids::{DocId, RecordId};
use shared::record::{Body, Stage};
use shared::role::Role;
use shared::slot::Slot;
use sync_core::book::Book;
use sync_core::book::backup::restore_shop;
use sync_core::book::enrol::Founding;
use sync_core::change::replica;
use sync_core::engine::BookError;
use sync_core::judge::standing::Standing;
use sync_core::server::SharedBook;
use sync_core::store::Store;
use sync_core::sys::clock::ClockReading;
use tests::{Crew, Dice, Phone};

const CLEAN: Vec<String> = Vec::new();

struct Ground {
    folder: tempfile::TempDir,
    crew: Crew,
    machine: DocId,
    /// Lead, tech, helper.
    phones: [usize; 3],
}

impl Ground {
    /// A crew whose shop is a file, with a backup of it from right after its founding.
    fn new(seed: u64) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut crew = Crew::over(seed, Store::open(&folder.path().join("shop.db")).unwrap());
        crew.shop.upkeep().backup_to(&folder.path().join("founding.db")).unwrap();
        let phones = [("Lead", Role::Lead), ("Tech", Role::Tech), ("Helper", Role::Helper)].map(|(name, role)| crew.join(name, role));
        let machine = crew.machine("M-1");
        for phone in &phones[1..] {
            crew.give_yard(*phone);
        }
        crew.level_all();
        Self { folder, crew, machine, phones }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// A day with a disagreement, an agreement, a slip taken back, and a machine that is new.
    fn day(&mut self) {
        let [lead, tech, helper] = self.phones;
        let (crew, machine) = (&mut self.crew, self.machine);
        crew.read(tech, machine, "1I", Stage::Found, 2, 3);
        crew.wait_min(14);
        crew.read(lead, machine, "1I", Stage::Found, 7, 8);
        crew.read(helper, machine, "1E", Stage::Found, 5, 6);
        crew.read(lead, machine, "1E", Stage::Found, 5, 7);
        let slip = crew.read(tech, machine, "2I", Stage::Left, 9, 10);
        crew.on(tech, |book, hand| book.author().void(slip, "wrong valve", hand).unwrap());
        crew.on(helper, |book, hand| book.author().read_hours(machine, "512.5".parse().unwrap(), hand).unwrap());
        let new = crew.machine("M-2");
        crew.level_all();
        crew.read(tech, new, "2E", Stage::Found, 5, 6);
        crew.level_all();
    }

    /// Loses the shop's files, and puts it back from a backup.
    fn lose_and_restore(&mut self, backup: &str) {
        let shop = self.path("shop.db");
        self.crew.shop = Book::over(Store::in_memory().unwrap(), &mut self.crew.dice).unwrap();
        for ending in ["", "-wal", "-shm"] {
            // A closed book has only its one file.
            let _ = std::fs::remove_file(format!("{}{ending}", shop.display()));
        }
        let now = ClockReading::at(self.crew.now_ms);
        let restored = restore_shop(&self.path(backup), &shop, &now, &mut self.crew.dice).unwrap();
        assert_eq!((restored.verified.faults, restored.aside), (CLEAN, None));
        self.crew.shop = Book::open(&shop, &mut self.crew.dice).unwrap();
    }

    fn all_verify(&self) {
        assert_eq!(self.crew.shop.verify().unwrap().faults, CLEAN);
        for phone in &self.crew.phones {
            assert_eq!(phone.book.verify().unwrap().faults, CLEAN);
            assert_eq!(phone.book.reader().status().unwrap().waiting, 0);
        }
    }
}

/// What a book says: its records but for receipts, when each arrived, and what stands.
#[derive(Debug, PartialEq)]
struct Said {
    records: BTreeMap<RecordId, Option<i64>>,
    standings: BTreeMap<DocId, Vec<Standing>>,
}

fn said(book: &Book) -> Said {
    let store = book.store();
    let (mut records, mut standings) = (BTreeMap::new(), BTreeMap::new());
    for document in store.documents().all().unwrap() {
        for entry in store.records().ledger(document.num).unwrap().entries() {
            if !matches!(entry.record.body, Body::Arrival(_)) {
                records.insert(entry.record.id, store.records().held(entry.record.id).unwrap().unwrap().received_ms);
            }
        }
        standings.insert(document.doc, store.projections().standings(document.doc).unwrap());
    }
    Said { records, standings }
}

fn put_back(backup: &str, seed: u64) {
    let mut ground = Ground::new(seed);
    ground.crew.shop.upkeep().backup_to(&ground.path("last-night.db")).unwrap();
    // A phone that no backup knows of.
    let person = ground.crew.phones[ground.phones[1]].person;
    let newest = ground.crew.phone_for(person);
    ground.day();
    let written_there = ground.crew.read(newest, ground.machine, "2E", Stage::Found, 5, 6);
    ground.crew.level_all();
    let before = said(&ground.crew.shop);
    let log = ground.crew.shop.store().log().log_end().unwrap();
    let unsent = ground.crew.on(newest, |book, hand| book.author().add_note(ground.machine, "not exchanged yet", hand).unwrap());
    ground.lose_and_restore(backup);
    assert!(ground.crew.shop.store().log().log_end().unwrap() < log);
    assert!(ground.crew.shop.store().records().held(written_there).unwrap().is_none());
    let request = ground.crew.offer(newest);
    let device = ground.crew.phones[newest].book.identity().unwrap().device;
    let stranger = ground.crew.shop.peer().answer(device, &request, &ClockReading::at(ground.crew.now_ms), &mut ground.crew.dice);
    assert!(matches!(stranger, Err(BookError::Unknown(_))), "nobody has brought the roster yet: {stranger:?}");
    ground.crew.level_all();
    let mut after = said(&ground.crew.shop);
    assert_eq!(said(&ground.crew.phones[0].book).standings, after.standings);
    assert!(after.records.remove(&unsent).unwrap().is_some(), "and what was never exchanged came too");
    let note = Slot::Note(unsent);
    after.standings.get_mut(&ground.machine).unwrap().retain(|standing| standing.slot != note);
    assert_eq!(after.records, before.records);
    assert_eq!(after.standings, before.standings);
    ground.all_verify();
    let end = ground.crew.shop.store().log().log_end().unwrap();
    ground.crew.level_all();
    assert_eq!(ground.crew.shop.store().log().log_end().unwrap(), end, "level stays level");
}

#[test]
fn a_shop_put_back_from_last_night_has_today_again() {
    put_back("last-night.db", 61);
}

/// A shop is its keys: without any backup none of its devices could tell it from an impostor. A backup from the hour of its
/// founding has them, and the devices have the rest.
#[test]
fn a_shop_put_back_from_its_founding_has_everything_again() {
    put_back("founding.db", 62);
}

/// Put back by hand, as no `restore` would, to a copy made while the process that founded the shop still ran: the cursors say so.
#[test]
fn a_shop_put_back_by_hand_within_its_first_run_finds_out() {
    let mut ground = Ground::new(63);
    ground.crew.shop.upkeep().backup_to(&ground.path("last-night.db")).unwrap();
    ground.day();
    let before = said(&ground.crew.shop);
    ground.crew.shop = Book::open(&ground.path("last-night.db"), &mut ground.crew.dice).unwrap();
    ground.crew.level_all();
    assert_eq!(said(&ground.crew.shop).records.keys().collect::<Vec<_>>(), before.records.keys().collect::<Vec<_>>());
    ground.all_verify();
}

fn actors_of(book: &Book, records: &[RecordId]) -> BTreeSet<Bytes16> {
    let store = book.store();
    let mut actors = BTreeSet::new();
    for document in store.documents().all().unwrap() {
        for change in store.log().changes_of(document.num).unwrap() {
            let saved = |id: &RecordId| change.recipe.records.iter().any(|r| store.records().held(*id).unwrap().unwrap().bytes == r.0);
            if records.iter().any(saved) {
                actors.insert(change.recipe.actor);
            }
        }
    }
    actors
}

fn open_copy(crew: &mut Crew, of: usize, path: &Path) -> Book {
    crew.phones[of].book.upkeep().backup_to(path).unwrap();
    Book::open(path, &mut crew.dice).unwrap()
}

#[test]
fn a_phone_put_back_from_an_old_backup_loses_and_doubles_nothing() {
    let mut ground = Ground::new(63);
    let (machine, [_, tech, _]) = (ground.machine, ground.phones);
    let path = ground.path("tech.db");
    let unsent = ground.crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    let old = open_copy(&mut ground.crew, tech, &path);
    ground.crew.level(tech);
    let later = ground.crew.read(tech, machine, "1E", Stage::Found, 5, 6);
    ground.crew.level_all();
    let before = said(&ground.crew.shop);
    ground.crew.phones[tech].book = old;
    ground.crew.level(tech);
    assert_eq!(said(&ground.crew.shop), before, "what it offers again is held already");
    assert_eq!(said(&ground.crew.phones[tech].book).standings[&machine], before.standings[&machine]);
    let new = ground.crew.read(tech, machine, "2I", Stage::Found, 4, 5);
    ground.crew.level_all();
    let after = said(&ground.crew.shop);
    assert_eq!(after.records.len(), before.records.len() + 1);
    let of = |id: RecordId| actors_of(&ground.crew.shop, &[id]);
    assert_eq!((of(unsent).len(), of(later).len(), of(new).len()), (1, 1, 1));
    assert!(of(new).is_disjoint(&of(unsent)) && of(new).is_disjoint(&of(later)), "an opening has an actor of its own");
    ground.all_verify();
}

#[test]
fn two_copies_of_a_phone_that_both_go_on_lose_and_double_nothing() {
    let mut ground = Ground::new(64);
    let (machine, [_, tech, _]) = (ground.machine, ground.phones);
    ground.crew.read(tech, machine, "1I", Stage::Found, 4, 5);
    let path = ground.path("copy.db");
    let copy = open_copy(&mut ground.crew, tech, &path);
    let person = ground.crew.phones[tech].person;
    ground.crew.phones.push(Phone { book: copy, person, clock_off_ms: 0 });
    let twin = ground.crew.phones.len() - 1;
    let before = said(&ground.crew.shop).records.len();
    let mut written: BTreeMap<usize, Vec<RecordId>> = BTreeMap::new();
    for turn in 0..6 {
        for (phone, valve) in [(tech, "1E"), (twin, "2E")] {
            written.entry(phone).or_default().push(ground.crew.read(phone, machine, valve, Stage::Found, 4 + turn % 2, 6));
            // Now and then one is ahead of the other, and sometimes an answer is lost.
            if turn % 3 == 1 {
                let request = ground.crew.offer(phone);
                let _lost = ground.crew.answer(phone, &request);
            }
            if (turn + i64::try_from(phone).unwrap()) % 2 == 0 {
                ground.crew.level(phone);
            }
        }
    }
    ground.crew.level_all();
    // Twelve, and the one that both had unsent: once.
    assert_eq!(said(&ground.crew.shop).records.len(), before + 13);
    let [mine, twins] = [tech, twin].map(|phone| actors_of(&ground.crew.shop, &written[&phone]));
    assert!(mine.is_disjoint(&twins), "{mine:?} {twins:?}");
    for phone in [tech, twin] {
        assert_eq!(said(&ground.crew.phones[phone].book).standings[&machine], said(&ground.crew.shop).standings[&machine]);
    }
    ground.all_verify();
}

#[test]
fn documents_come_from_records_alone_and_rows_from_documents_byte_for_byte() {
    let mut ground = Ground::new(65);
    ground.day();
    let path = ground.path("again.db");
    ground.crew.shop.upkeep().backup_to(&path).unwrap();
    let again = Book::open(&path, &mut ground.crew.dice).unwrap();
    sync_core::engine::rebuild(again.store(), again.roster().unwrap()).unwrap();
    assert_eq!(said(&again), said(&ground.crew.shop));
    let mut saved = 0;
    for document in ground.crew.shop.store().documents().all().unwrap() {
        let recipes = |book: &Book| -> Vec<_> {
            let num = book.store().documents().document(document.doc).unwrap().unwrap().num;
            book.store().log().changes_of(num).unwrap().into_iter().map(|change| change.recipe).collect()
        };
        let kept = recipes(&ground.crew.shop);
        // The hash forgotten: what remains is the records and where each stands.
        let anew: Vec<_> = kept
            .iter()
            .cloned()
            .map(|mut recipe| {
                recipe.hash = Bytes32([0; 32]);
                recipe.hash = replica::change_hash(document.doc, &recipe).unwrap();
                recipe
            })
            .collect();
        let bytes = replica::save(document.doc, &kept).unwrap();
        assert_eq!(replica::save(document.doc, &anew).unwrap(), bytes);
        assert_eq!(replica::save(document.doc, &recipes(&again)).unwrap(), bytes);
        let loaded = replica::load(document.doc, &bytes, &document.heads).unwrap();
        assert_eq!(replica::save(document.doc, &loaded).unwrap(), bytes, "saved, loaded, saved");
        saved += bytes.len();
    }
    assert!(saved > 10_000, "{saved} bytes of documents");
}

/// Backups while five devices exchange on threads of their own: each is one moment of the shop, whole.
#[test]
fn a_backup_in_a_storm_of_exchanges_is_a_whole_earlier_state() {
    const ROUNDS: i64 = 12;
    let Ground { folder, mut crew, machine, .. } = Ground::new(66);
    let path = folder.path().join("shop.db");
    let start = crew.shop.store().log().log_end().unwrap();
    crew.shop = Book::over(Store::in_memory().unwrap(), &mut crew.dice).unwrap();
    let now_ms = crew.now_ms;
    let never = Founding { shop: shared::record::ShopCard::usual("", ""), office_name: String::new(), issuer: String::new() };
    let opened = SharedBook::open(&path, &never, &ClockReading::at(now_ms), Box::new(Dice::new(67))).unwrap();
    let shop = &opened.shop;
    std::thread::scope(|scope| {
        for (n, phone) in crew.phones.iter_mut().enumerate() {
            scope.spawn(move || {
                let mut dice = Dice::new(100 + u64::try_from(n).unwrap());
                let device = phone.book.identity().unwrap().device;
                for round in 1..=ROUNDS {
                    let now = ClockReading::at(now_ms + round * 1_000);
                    let mut hand = sync_core::commands::ActionContext { now, entropy: &mut dice, measured_by: None };
                    phone.book.author().add_note(machine, "in the storm", &mut hand).unwrap();
                    let answer = shop
                        .write(|book, entropy| book.peer().answer(device, &phone.book.outgoing().offer(&now).unwrap(), &now, entropy))
                        .unwrap();
                    phone.book.peer().take_answer(&now, &answer, &now, &mut dice).unwrap();
                }
            });
        }
        for n in 0..ROUNDS {
            shop.backup(&ClockReading::at(now_ms + n * 1_000)).unwrap();
        }
    });
    let made = shop.backups().unwrap();
    assert_eq!(made.len(), usize::try_from(ROUNDS).unwrap());
    drop(opened);
    let shop = Book::open(&path, &mut crew.dice).unwrap();
    let mut before = start;
    let mut ends = BTreeSet::new();
    for line in made.iter().rev() {
        let copy = sync_core::book::backup::open_backup(&folder.path().join("backups").join(&line.name), &mut crew.dice).unwrap();
        assert_eq!(copy.verify().unwrap().faults, CLEAN, "{line:?}");
        let end = copy.store().log().log_end().unwrap();
        assert!(end >= before, "a later backup is no earlier state");
        for pos in 1..=end {
            let of = |book: &Book| book.store().log().segment_at(pos).unwrap().map(|segment| (segment.hash, segment.encoded));
            assert_eq!(of(&copy), of(&shop), "{line:?} at {pos}");
        }
        before = end;
        ends.insert(end);
    }
    assert!(ends.len() > 2, "the backups fell into the storm: {ends:?}");
    assert_eq!(shop.verify().unwrap().faults, CLEAN);
}
