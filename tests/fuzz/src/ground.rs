//! The ground that inputs fall on: a shop and its devices, made once, and for each input a fresh copy of a book.

use std::cell::OnceCell;
use std::path::PathBuf;

use shared::engine_card::Duty;
use shared::hours::Hours;
use shared::ids::DocId;
use shared::record::{FindingKind, Stage};
use shared::role::Role;
use shared::wire::{ExchangeAnswer, ExchangeRequest};
use sync_core::book::Book;
use sync_core::commands::VisitEntry;
use sync_core::store::Store;
use sync_core::sync::bundle::Load;
use sync_core::sys::clock::ClockReading;
use tempfile::TempDir;
use tests::{Crew, Dice};

use super::forge::Signer;

/// Seed of everything that is drawn.
const SEED: u64 = 11;

/// A book file that is never written again, and the place of the copy that inputs work on.
#[derive(Debug)]
pub(crate) struct Template {
    folder: TempDir,
    /// The original's bytes, read at the first copy. A fuzzer's timer interrupts the system's own way of copying.
    bytes: OnceCell<Vec<u8>>,
}

impl Template {
    pub(crate) fn new() -> Self {
        Self { folder: tempfile::tempdir().expect("a folder"), bytes: OnceCell::new() }
    }

    pub(crate) fn folder(&self) -> &std::path::Path {
        self.folder.path()
    }

    pub(crate) fn original(&self) -> PathBuf {
        self.folder.path().join("original.db")
    }

    /// The working copy as it was in the beginning. Whoever had it open has closed it.
    pub(crate) fn fresh_file(&self) -> PathBuf {
        let copy = self.folder.path().join("copy.db");
        for beside in ["copy.db-wal", "copy.db-shm", "copy.db-journal"] {
            // Mostly there is none: a closed book is one file.
            let _ = std::fs::remove_file(self.folder.path().join(beside));
        }
        let bytes = self.bytes.get_or_init(|| std::fs::read(self.original()).expect("the original"));
        std::fs::write(&copy, bytes).expect("a copy");
        copy
    }

    pub(crate) fn fresh(&self) -> Book {
        Book::open(&self.fresh_file(), &mut Dice::new(SEED)).expect("a book")
    }
}

/// The randomness of one input.
pub(crate) fn dice() -> Dice {
    Dice::new(SEED + 1)
}

/// A shop's book and what its crew would send next.
#[derive(Debug)]
pub(crate) struct AtShop {
    pub(crate) template: Template,
    /// The devices' ids and keys: the office's, the lead's, the tech's, the helper's.
    pub(crate) signers: Vec<Signer>,
    /// What each of them would send.
    pub(crate) offers: Vec<ExchangeRequest>,
    pub(crate) machine: DocId,
    pub(crate) now: ClockReading,
}

/// A day's entries on a tech's phone: a visit with hours, readings, a finding, a note.
fn a_day(crew: &mut Crew, phone: usize, machine: DocId) {
    let meter = Some(Hours::from_tenths(1_234));
    let visit = VisitEntry { cold: true, cautions_confirmed: true, meter, ..VisitEntry::default() };
    crew.on(phone, |book, hand| book.author().open_visit(machine, &visit, hand).map(drop)).expect("a visit");
    for (valve, stage, go, no_go) in [("1I", Stage::Found, 5, 6), ("1E", Stage::Found, 8, 9), ("1E", Stage::Set, 6, 7)] {
        crew.read(phone, machine, valve, stage, go, no_go);
    }
    crew.on(phone, |book, hand| {
        let finding = book.author().add_finding(machine, FindingKind::Hold, "drips", hand)?;
        book.author().clear_finding(finding, "line replaced", hand)?;
        book.author().add_note(machine, "gate sticks", hand)?;
        book.author().finish_visit(machine, None, "", hand).map(drop)
    })
    .expect("entries");
}

/// What the office enters: a person, a property, a machine, a restated card.
fn at_the_office(crew: &mut Crew) {
    crew.on(0, |book, hand| {
        let person = book.author().add_person("New hand", Role::Helper, hand)?;
        let property = book.finder().find_property("Test yard")?;
        book.author().assign(person, property, true, hand)?;
        let card = shared::record::MachineCard {
            tag: "M-2".into(),
            description: String::new(),
            property,
            engine_card: Some(tests::engine_card().card),
            cylinders: None,
            duty: Duty::Homeowner,
            hours_per_week: None,
            provisional: false,
        };
        book.author().add_machine(card, hand)?;
        book.author().keep_engine_card(tests::engine_card(), hand).map(drop)
    })
    .expect("entries");
}

/// The shop's side.
pub(crate) fn at_shop() -> AtShop {
    let template = Template::new();
    let original = template.original();
    let store = Store::open(&original).expect("a store");
    let (mut crew, machine, phones) = crew(store);
    let signers: Vec<Signer> = crew.phones.iter().map(|phone| Signer::of(&phone.book)).collect();
    at_the_office(&mut crew);
    a_day(&mut crew, phones[1], machine);
    crew.read(phones[0], machine, "1I", Stage::Found, 3, 4);
    crew.read(phones[2], machine, "2I", Stage::Found, 4, 5);
    let offers = (0..crew.phones.len()).map(|phone| crew.offer(phone)).collect();
    AtShop { template, signers, offers, machine, now: ClockReading::at(crew.now_ms + 60_000) }
}

/// A tech's book with entries that the shop has not seen, and the shop's answer to them.
#[derive(Debug)]
pub(crate) struct OnPhone {
    pub(crate) template: Template,
    /// The shop's id and key, then the office's, the lead's and the tech's own.
    pub(crate) signers: Vec<Signer>,
    pub(crate) answer: ExchangeAnswer,
    pub(crate) now: ClockReading,
}

/// One more device of a phone's person, with its book in a file, in place of the phone.
fn in_a_file(crew: &mut Crew, phone: usize, template: &Template) {
    let (person, office) = (crew.phones[phone].person, crew.phones[0].person);
    let mut book = Book::open(&template.original(), &mut crew.dice).expect("a book");
    let moment = crew.moment(phone);
    let issued = crew.shop.issue_code(office, person, &moment, &mut crew.dice).expect("a code");
    let request = book.enrol_request(&issued.code, "phone", &moment, &mut crew.dice).expect("a request");
    let answer = crew.shop.admit_device(&request, &moment, &mut crew.dice).expect("admitted");
    book.enrolled(&answer, "http://127.0.0.1:9").expect("enrolled");
    crew.phones[phone].book = book;
    crew.level(phone);
}

/// The device's side. The answer brings receipts, others' news, and a document that is new to the phone.
pub(crate) fn on_phone() -> OnPhone {
    let template = Template::new();
    let (mut crew, machine, [lead, tech, _]) = crew(Store::in_memory().expect("a store"));
    in_a_file(&mut crew, tech, &template);
    at_the_office(&mut crew);
    crew.level(0);
    crew.read(lead, machine, "1I", Stage::Found, 3, 4);
    crew.level(lead);
    a_day(&mut crew, tech, machine);
    let request = crew.offer(tech);
    let answer = crew.answer(tech, &request);
    let books = [&crew.shop, &crew.phones[0].book, &crew.phones[lead].book, &crew.phones[tech].book];
    OnPhone { template, signers: books.map(Signer::of).to_vec(), answer, now: ClockReading::at(crew.now_ms) }
}

/// A tech's book with entries of its own, and a bundle from another truck.
#[derive(Debug)]
pub(crate) struct InTheYard {
    pub(crate) template: Template,
    /// The shop's id and key, then the office's, the lead's, the helper's and the tech's own.
    pub(crate) signers: Vec<Signer>,
    pub(crate) bundle: Vec<u8>,
    pub(crate) now: ClockReading,
}

/// The receiver's side of a bundle. The bundle brings a lead's and a helper's day, on a machine that the receiver knows and
/// on one that is new to it, and the roster and cards that the office has changed since.
pub(crate) fn in_the_yard() -> InTheYard {
    let template = Template::new();
    let (mut crew, machine, [lead, tech, helper]) = crew(Store::in_memory().expect("a store"));
    in_a_file(&mut crew, tech, &template);
    at_the_office(&mut crew);
    crew.read(helper, machine, "2I", Stage::Found, 4, 5);
    for phone in [0, helper, lead] {
        crew.level(phone);
    }
    crew.on(lead, |book, hand| {
        let fresh = book.finder().find_machine("M-2")?;
        book.author().add_note(fresh, "blade dull", hand).map(drop)
    })
    .expect("a note");
    a_day(&mut crew, lead, machine);
    a_day(&mut crew, tech, machine);
    let now = ClockReading::at(crew.now_ms);
    let bundle = crew.phones[lead].book.outgoing().make_bundle(&Load::Unsent, &now).expect("a bundle").bundles.remove(0);
    let books = [&crew.shop, &crew.phones[0].book, &crew.phones[lead].book, &crew.phones[helper].book, &crew.phones[tech].book];
    InTheYard { template, signers: books.map(Signer::of).to_vec(), bundle, now }
}

/// The books of a tech and of the office, level and with some history.
pub(crate) fn of_both() -> ([Template; 2], ClockReading) {
    let books = [Template::new(), Template::new()];
    let (mut crew, machine, [lead, tech, _]) = crew(Store::in_memory().expect("a store"));
    in_a_file(&mut crew, tech, &books[0]);
    in_a_file(&mut crew, 0, &books[1]);
    at_the_office(&mut crew);
    a_day(&mut crew, tech, machine);
    crew.read(lead, machine, "1I", Stage::Found, 3, 4);
    crew.level_all();
    (books, ClockReading::at(crew.now_ms))
}

/// [`Crew::of_three`] with the shop's book in a store of its own.
fn crew(store: Store) -> (Crew, DocId, [usize; 3]) {
    let mut crew = Crew::over(SEED, store);
    let phones = [("Lead", Role::Lead), ("Tech", Role::Tech), ("Helper", Role::Helper)].map(|(name, role)| crew.join(name, role));
    let machine = crew.machine("M-1");
    for phone in &phones[1..] {
        crew.give_yard(*phone);
    }
    crew.level_all();
    (crew, machine, phones)
}

/// How often a book is verified as a whole, which takes longer than the step itself: after every input, or after one in
/// sixteen, chosen by the input.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Looks(bool);

impl Looks {
    pub(crate) const ALWAYS: Self = Self(true);

    pub(crate) fn seldom(bytes: &[u8]) -> Self {
        Self(bytes.iter().fold(0_u8, |sum, byte| sum.rotate_left(3) ^ byte) % 16 == 0)
    }

    /// Looks at the book where it is time to.
    pub(crate) fn at(self, book: &Book, now: &ClockReading) {
        if self.0 {
            holds(book, now);
        }
    }
}

/// Whether the book is what its records make it, and can be looked at from every side.
fn holds(book: &Book, now: &ClockReading) {
    let found = book.verify().expect("verified");
    assert_eq!(found.faults, Vec::<String>::new());
    let unit = shared::length::LengthUnit::Thou;
    book.reader().due_list(now).expect("a due list");
    book.reader().contested(unit).expect("the contested");
    book.days().day_sheet(None, unit, now).expect("a day sheet");
    for row in book.store().machine_rows().machines().expect("rows") {
        book.machines().machine_view(row.doc, unit, now).expect("a machine");
    }
    book.reader().people().expect("people");
    book.store().quarantine().quarantined().expect("quarantine");
}
