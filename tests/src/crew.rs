//! A shop and its devices in memory.

use shared::engine_card::{Adjuster, EngineCard, Interval, Range, Rocker, Source, Thread};
use shared::ids::{CardId, DocId, PersonId, RecordId};
use shared::length::{Length, LengthUnit};
use shared::record::{MachineCard, PropertyCard, ShopCard, Stage};
use shared::role::Role;
use shared::wire::{ExchangeAnswer, ExchangeRequest};
use sync_core::book::Book;
use sync_core::book::enrol::Founding;
use sync_core::commands::{ActionContext, ReadingEntry};
use sync_core::store::Store;
use sync_core::sync::{Report, read_body, write_body};
use sync_core::sys::clock::ClockReading;

/// Pseudo-random bytes from a seed (xorshift64*): for replay, never for keys that matter.
#[derive(Debug, Clone)]
pub struct Dice(u64);

impl Dice {
    /// Dice with a seed.
    #[must_use]
    pub const fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    /// The next throw.
    pub const fn throw(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }
}

impl sync_core::sys::rng::CryptoRng for Dice {
    fn fill(&mut self, buffer: &mut [u8]) {
        for chunk in buffer.chunks_mut(8) {
            let bytes = self.throw().to_le_bytes();
            chunk.copy_from_slice(&bytes[..chunk.len()]);
        }
    }
}

/// A device of the crew.
#[derive(Debug)]
pub struct Phone {
    /// Its book.
    pub book: Book,
    /// Its person.
    pub person: PersonId,
    /// How far its wall clock is off, in ms.
    pub clock_off_ms: i64,
}

/// A shop and its devices.
#[derive(Debug)]
pub struct Crew {
    /// The shop's book.
    pub shop: Book,
    /// True time, ms since 1970 UTC.
    pub now_ms: i64,
    /// Randomness.
    pub dice: Dice,
    /// The devices; the first is the office's.
    pub phones: Vec<Phone>,
    /// Bytes of the last exchange: up, down.
    pub traffic: (usize, usize),
}

/// 2026-06-01 06:00 UTC.
pub const MORNING: i64 = 1_780_293_600_000;

impl Crew {
    /// A shop with its office device enrolled and level.
    ///
    /// # Panics
    /// Where the engine fails: this is a test's ground.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self::over(seed, Store::in_memory().expect("store"))
    }

    /// As [`Crew::new`], with the shop's book in a store of the caller's.
    ///
    /// # Panics
    /// Where the engine fails.
    #[must_use]
    pub fn over(seed: u64, store: Store) -> Self {
        let mut dice = Dice::new(seed);
        let mut shop = Book::over(store, &mut dice).expect("book");
        let founding =
            Founding { shop: ShopCard::usual("Test shop", "UTC"), office_name: "Office".into(), issuer: "http://127.0.0.1".into() };
        let code = shop.found_shop(&founding, &ClockReading::at(MORNING), &mut dice).expect("founded");
        let mut crew = Self { shop, now_ms: MORNING, dice, phones: Vec::new(), traffic: (0, 0) };
        crew.enrol(&code, 0);
        crew
    }

    /// A one-time code of the office's.
    fn code_for(&mut self, person: PersonId) -> String {
        let office = self.phones[0].person;
        let issued = self.shop.issue_code(office, person, &ClockReading::at(self.now_ms), &mut self.dice).expect("code");
        issued.code
    }

    fn enrol(&mut self, code: &str, clock_off_ms: i64) -> usize {
        self.enrol_on(Store::in_memory().expect("store"), code, clock_off_ms)
    }

    fn enrol_on(&mut self, store: Store, code: &str, clock_off_ms: i64) -> usize {
        let n = self.only_enrol_on(store, code, clock_off_ms);
        self.level(n);
        n
    }

    fn only_enrol_on(&mut self, store: Store, code: &str, clock_off_ms: i64) -> usize {
        let mut book = Book::over(store, &mut self.dice).expect("book");
        let moment = ClockReading::at(self.now_ms + clock_off_ms);
        let request = book.enrol_request(code, "phone", &moment, &mut self.dice).expect("request");
        let answer = self.shop.admit_device(&request, &ClockReading::at(self.now_ms), &mut self.dice).expect("admitted");
        book.enrolled(&answer, "http://127.0.0.1").expect("enrolled");
        self.phones.push(Phone { book, person: answer.person, clock_off_ms });
        self.phones.len() - 1
    }

    /// Adds a person with a role and enrols a phone for them.
    ///
    /// # Panics
    /// Where the engine fails.
    pub fn join(&mut self, name: &str, role: Role) -> usize {
        let person = self.person(name, role);
        self.phone_for(person)
    }

    /// Adds a person with a role.
    ///
    /// # Panics
    /// Where the engine fails.
    pub fn person(&mut self, name: &str, role: Role) -> PersonId {
        let (moment, dice) = (self.moment(0), &mut self.dice);
        let mut hand = ActionContext { now: moment, entropy: dice, measured_by: None };
        let person = self.phones[0].book.author().add_person(name, role, &mut hand).expect("person");
        self.level(0);
        person
    }

    /// Enrols one more phone for a person, with its book in a store of the caller's.
    ///
    /// # Panics
    /// Where the engine fails.
    pub fn phone_on(&mut self, person: PersonId, store: Store) -> usize {
        let code = self.code_for(person);
        self.enrol_on(store, &code, 0)
    }

    /// Enrols one more phone for a person.
    ///
    /// # Panics
    /// Where the engine fails.
    pub fn phone_for(&mut self, person: PersonId) -> usize {
        let code = self.code_for(person);
        self.enrol(&code, 0)
    }

    /// Enrols one more phone for a person, which has exchanged nothing yet.
    ///
    /// # Panics
    /// Where the engine fails.
    pub fn empty_phone_for(&mut self, person: PersonId) -> usize {
        let code = self.code_for(person);
        self.only_enrol_on(Store::in_memory().expect("store"), &code, 0)
    }

    /// A phone's clocks now.
    #[must_use]
    pub fn moment(&self, phone: usize) -> ClockReading {
        let off = self.phones.get(phone).map_or(0, |p| p.clock_off_ms);
        ClockReading { wall_ms: self.now_ms + off, steady_ms: self.now_ms, boot: shared::bytes::Bytes16([1; 16]) }
    }

    /// Lets time pass.
    pub const fn wait_min(&mut self, minutes: i64) {
        self.now_ms += minutes * 60_000;
    }

    /// Does something on a phone.
    pub fn on<T>(&mut self, phone: usize, step: impl FnOnce(&mut Book, &mut ActionContext<'_>) -> T) -> T {
        self.now_ms += 1_000;
        let moment = self.moment(phone);
        let mut hand = ActionContext { now: moment, entropy: &mut self.dice, measured_by: None };
        step(&mut self.phones[phone].book, &mut hand)
    }

    /// A machine at a property, with the test engine card; entered by the office and level with the shop.
    ///
    /// # Panics
    /// Where the engine fails.
    pub fn machine(&mut self, tag: &str) -> DocId {
        let doc = self.on(0, |book, hand| {
            let property = match book.finder().find_property("Test yard") {
                Ok(property) => property,
                Err(_) => {
                    book.author().keep_engine_card(engine_card(), hand).expect("card");
                    let card = PropertyCard { name: "Test yard".into(), address: String::new(), access: String::new(), season: None };
                    book.author().add_property(card, hand).expect("property")
                }
            };
            let card = MachineCard {
                tag: tag.into(),
                description: String::new(),
                property,
                engine_card: Some(engine_card().card),
                cylinders: None,
                duty: shared::engine_card::Duty::Commercial,
                hours_per_week: None,
                provisional: false,
            };
            book.author().add_machine(card, hand).expect("machine")
        });
        self.level(0);
        doc
    }

    /// Gives the test yard, with its machines, to a phone's person.
    ///
    /// # Panics
    /// Where the engine fails.
    pub fn give_yard(&mut self, phone: usize) {
        let person = self.phones[phone].person;
        self.on(0, |book, hand| {
            let yard = book.finder().find_property("Test yard").expect("yard");
            book.author().assign(person, yard, true, hand).expect("assigned")
        });
    }

    /// Takes the test yard from a phone's person, which the shop hears of and that phone does not.
    ///
    /// # Panics
    /// Where the engine fails.
    pub fn take_yard(&mut self, phone: usize) {
        let person = self.phones[phone].person;
        self.on(0, |book, hand| {
            let yard = book.finder().find_property("Test yard").expect("yard");
            book.author().assign(person, yard, false, hand).expect("taken away")
        });
        self.level(0);
        self.now_ms += 3_600_000;
    }

    /// A shop with a lead, a tech and a helper, all level and given a yard with one machine: the machine, and the three phones.
    ///
    /// # Panics
    /// Where the engine fails.
    #[must_use]
    pub fn of_three(seed: u64) -> (Self, DocId, [usize; 3]) {
        let mut crew = Self::new(seed);
        let phones = [("Lead", Role::Lead), ("Tech", Role::Tech), ("Helper", Role::Helper)].map(|(name, role)| crew.join(name, role));
        let machine = crew.machine("M-1");
        for phone in &phones[1..] {
            crew.give_yard(*phone);
        }
        crew.level_all();
        (crew, machine, phones)
    }

    /// A reading in whole thou.
    ///
    /// # Panics
    /// Where the engine refuses it.
    pub fn read(&mut self, phone: usize, machine: DocId, valve: &str, stage: Stage, go: i64, no_go: i64) -> RecordId {
        let entry = ReadingEntry {
            valve: valve.parse().expect("valve"),
            stage,
            go: Some(Length::from_thou(go)),
            no_go: Some(Length::from_thou(no_go)),
            leaves: vec![],
            adjusted: false,
            cold: Some(true),
        };
        let set = shared::leaf::LeafSet::inch();
        self.on(phone, |book, hand| book.author().take_reading(machine, entry, &set, LengthUnit::Thou, hand).expect("kept").record)
    }

    /// What a phone would send now.
    ///
    /// # Panics
    /// Where the engine fails.
    #[must_use]
    pub fn offer(&self, phone: usize) -> ExchangeRequest {
        self.phones[phone].book.outgoing().offer(&self.moment(phone)).expect("offer")
    }

    /// The shop's answer to a request, through the bytes that travel both ways.
    ///
    /// # Panics
    /// Where the engine fails.
    pub fn answer(&mut self, phone: usize, request: &ExchangeRequest) -> ExchangeAnswer {
        let up = write_body(request, true).expect("written");
        let request: ExchangeRequest = read_body(&up, true).expect("read");
        let device = self.phones[phone].book.identity().expect("enrolled").device;
        let answer = self.shop.peer().answer(device, &request, &ClockReading::at(self.now_ms), &mut self.dice).expect("answered");
        let down = write_body(&answer, true).expect("written");
        self.traffic = (self.traffic.0 + up.len(), self.traffic.1 + down.len());
        read_body(&down, true).expect("read")
    }

    /// A phone takes an answer.
    ///
    /// # Panics
    /// Where the engine fails.
    pub fn take(&mut self, phone: usize, answer: &ExchangeAnswer) -> Report {
        let moment = self.moment(phone);
        self.phones[phone].book.peer().take_answer(&moment, answer, &moment, &mut self.dice).expect("taken")
    }

    /// One round trip.
    pub fn exchange(&mut self, phone: usize) -> Report {
        let request = self.offer(phone);
        let answer = self.answer(phone, &request);
        self.take(phone, &answer)
    }

    /// Round trips until the phone and the shop are level; how many it took.
    ///
    /// # Panics
    /// Where they do not get level in a hundred.
    pub fn level(&mut self, phone: usize) -> usize {
        for round in 1..=100 {
            if !self.exchange(phone).more {
                return round;
            }
        }
        panic!("phone {phone} does not get level with the shop");
    }

    /// Levels every phone twice, so that what one brought reaches the others.
    pub fn level_all(&mut self) {
        for _ in 0..2 {
            for phone in 0..self.phones.len() {
                self.level(phone);
            }
        }
    }
}

/// An invented engine card: 4 to 6 thou intake, 5 to 7 exhaust, two cylinders.
#[must_use]
pub fn engine_card() -> EngineCard {
    let range = |low, high, aim| Range { low: Length::from_thou(low), high: Length::from_thou(high), aim: Some(Length::from_thou(aim)) };
    EngineCard {
        source: Some(Source { manual: "Invented manual".into(), page: "12".into() }),
        commercial: Interval { hours: Some(100), months: Some(6) },
        homeowner: Interval { hours: None, months: Some(12) },
        adjuster: Some(Adjuster { thread: Thread::PitchUm(1000), rocker: Rocker::RockerStudNut, ratio_milli: 1300 }),
        ..EngineCard::plain(CardId::from_bytes([0xca; 16]), "Invented twin", 2, range(4, 6, 5), range(5, 7, 6))
    }
}
