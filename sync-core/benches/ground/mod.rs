//! The ground that benchmarks stand on: a shop in memory, machines with a history, and phones that write their days.

use std::collections::BTreeSet;

use shared::bytes::{Blob, Bytes16, Bytes32};
use shared::engine_card::Duty;
use shared::ids::{DeviceId, DocId, PersonId};
use shared::length::Length;
use shared::record::{Body, Clearance, ClockEvidence, MachineCard, PropertyCard, Record, ShopCard, Stage};
use shared::role::Role;
use shared::valve::Valve;
use shared::wire::{DocOffer, ExchangeAnswer, ExchangeRequest, MOST_RECORDS, Recipe};
use sync_core::book::enrol::Founding;
use sync_core::book::{Book, Draft};
use sync_core::change::replica::change_hash;
use sync_core::commands::ActionContext;
use sync_core::crypto::envelope::sign;
use sync_core::store::Store;
use sync_core::store::frontier::Frontier;
use sync_core::sys::clock::ClockReading;
use sync_core::sys::rng::{CryptoRng, fresh_doc, fresh_record, random};

/// 2026-06-01 06:00 UTC.
const MORNING: i64 = 1_780_293_600_000;
/// Between two readings of one machine, in ms.
const APART_MS: i64 = 40_000;
/// Between two visits to one machine, in ms.
const UNTIL_NEXT_VISIT_MS: i64 = 30 * 86_400_000;
/// Readings of a visit: as many as make a part of the log in life.
pub(crate) const OF_A_VISIT: usize = 12;

/// Pseudo-random bytes (xorshift64*): every run measures the same work. No key made of them guards anything.
pub(crate) struct Dice(u64);

impl CryptoRng for Dice {
    fn fill(&mut self, buffer: &mut [u8]) {
        for chunk in buffer.chunks_mut(8) {
            self.0 ^= self.0 >> 12;
            self.0 ^= self.0 << 25;
            self.0 ^= self.0 >> 27;
            chunk.copy_from_slice(&self.0.wrapping_mul(0x2545_F491_4F6C_DD1D).to_le_bytes()[..chunk.len()]);
        }
    }
}

/// A shop, and what all its phones share.
pub(crate) struct Ground {
    pub(crate) shop: Book,
    pub(crate) machines: Vec<DocId>,
    office: PersonId,
    lead: PersonId,
    now_ms: i64,
    dice: Dice,
    /// Readings written so far: no two that follow each other are alike.
    written: usize,
}

impl Ground {
    /// A shop with so many machines, one office and one lead.
    pub(crate) fn with_machines(count: usize) -> Self {
        let (now, mut dice) = (ClockReading::at(MORNING), Dice(0x9E37_79B9_7F4A_7C15));
        let mut shop = Book::over(Store::in_memory().unwrap(), &mut dice).unwrap();
        let card = ShopCard::usual("Bench", "UTC");
        let founding = Founding { shop: card, office_name: "Office".into(), issuer: "http://127.0.0.1".into() };
        let code = shop.found_shop(&founding, &now, &mut dice).unwrap();
        let mut book = Book::over(Store::in_memory().unwrap(), &mut dice).unwrap();
        let request = book.enrol_request(&code, "office", &now, &mut dice).unwrap();
        let answer = shop.admit_device(&request, &now, &mut dice).unwrap();
        book.enrolled(&answer, "http://127.0.0.1").unwrap();
        let office = answer.person;
        let mut ground = Self { shop, machines: Vec::new(), office, lead: office, now_ms: MORNING, dice, written: 0 };
        ground.level(&mut book);
        let mut hand = ActionContext { now: ground.now(), entropy: &mut ground.dice, measured_by: None };
        ground.lead = book.author().add_person("Lead", Role::Lead, &mut hand).unwrap();
        let yard = PropertyCard { name: "Yard".into(), address: String::new(), access: String::new(), season: None };
        let property = book.author().add_property(yard, &mut hand).unwrap();
        let mut drafts = Vec::with_capacity(count);
        for n in 0..count {
            let doc = fresh_doc(&hand.now, book.identity().unwrap().device, hand.entropy);
            ground.machines.push(doc);
            let card = MachineCard {
                tag: format!("M-{n:04}"),
                description: String::new(),
                property,
                engine_card: None,
                cylinders: Some(4),
                duty: Duty::Commercial,
                hours_per_week: None,
                provisional: false,
            };
            drafts.push(Draft::new(doc, card));
        }
        book.write(drafts, &hand.now, hand.entropy).unwrap();
        ground.level(&mut book);
        ground
    }

    /// The same, with so many visits of [`OF_A_VISIT`] readings to every machine, each reading a change of its own.
    pub(crate) fn with_history(machines: usize, visits: usize) -> Self {
        let mut ground = Self::with_machines(machines);
        let mut phone = ground.phone(Store::in_memory().unwrap());
        ground.level(&mut phone);
        for _ in 0..visits {
            ground.now_ms += UNTIL_NEXT_VISIT_MS;
            ground.visit(&mut phone, OF_A_VISIT);
            ground.level(&mut phone);
        }
        ground.now_ms += UNTIL_NEXT_VISIT_MS;
        ground
    }

    /// What every clock shows.
    pub(crate) const fn now(&self) -> ClockReading {
        ClockReading { wall_ms: self.now_ms, steady_ms: self.now_ms, boot: Bytes16([1; 16]) }
    }

    /// A phone of the lead's, enrolled and with nothing of the shop in its book.
    pub(crate) fn phone(&mut self, store: Store) -> Book {
        let now = self.now();
        let code = self.shop.issue_code(self.office, self.lead, &now, &mut self.dice).unwrap().code;
        let mut book = Book::over(store, &mut self.dice).unwrap();
        let request = book.enrol_request(&code, "phone", &now, &mut self.dice).unwrap();
        let answer = self.shop.admit_device(&request, &now, &mut self.dice).unwrap();
        book.enrolled(&answer, "http://127.0.0.1").unwrap();
        book
    }

    /// A phone of the lead's with all of the shop in its book.
    pub(crate) fn filled_phone(&mut self, store: Store) -> Book {
        let mut book = self.phone(store);
        self.level(&mut book);
        book
    }

    /// One reading of the next valve and stage, 4 to 8 thou.
    pub(crate) fn reading(&mut self) -> Body {
        self.written += 1;
        let n = self.written;
        let valves = ["1I", "1E", "2I", "2E", "3I", "3E", "4I", "4E"].map(|valve| valve.parse::<Valve>().unwrap());
        let go = 4 + i64::try_from(n % 5).unwrap();
        Body::Clearance(Clearance {
            valve: valves[n % valves.len()],
            stage: [Stage::Found, Stage::Set, Stage::Left][n % 3],
            go: Some(Length::from_thou(go)),
            no_go: Some(Length::from_thou(go + 1)),
            leaves: Vec::new(),
            cold: true,
            engine_tenth_c: None,
            adjusted: n % 3 == 1,
            visit: None,
        })
    }

    /// Writes one reading of a machine as a step of its own.
    pub(crate) fn write_one(&mut self, book: &mut Book, machine: DocId, reading: Body) {
        self.now_ms += APART_MS;
        book.write(vec![Draft::new(machine, reading)], &self.now(), &mut self.dice).unwrap();
    }

    /// Writes so many readings of every machine, each a change of its own.
    pub(crate) fn visit(&mut self, book: &mut Book, readings: usize) {
        for _ in 0..readings {
            self.now_ms += APART_MS;
            let mut drafts = Vec::with_capacity(self.machines.len());
            for n in 0..self.machines.len() {
                let reading = self.reading();
                drafts.push(Draft::new(self.machines[n], reading));
            }
            book.write(drafts, &self.now(), &mut self.dice).unwrap();
        }
    }

    /// The shop's answer.
    pub(crate) fn answer(&mut self, device: DeviceId, request: &ExchangeRequest) -> ExchangeAnswer {
        let now = self.now();
        self.shop.peer().answer(device, request, &now, &mut self.dice).unwrap()
    }

    /// A book takes an answer in; whether there is more.
    pub(crate) fn take(&mut self, book: &mut Book, answer: &ExchangeAnswer) -> bool {
        let now = self.now();
        let report = book.peer().take_answer(&now, answer, &now, &mut self.dice).unwrap();
        assert!(report.refused.is_empty(), "{:?}", report.refused);
        report.more
    }

    /// Round trips until a book and the shop are level.
    pub(crate) fn level(&mut self, book: &mut Book) {
        let device = book.identity().unwrap().device;
        for _ in 0..1_000 {
            let request = book.outgoing().offer(&self.now()).unwrap();
            let answer = self.answer(device, &request);
            if !self.take(book, &answer) {
                return;
            }
        }
        panic!("the phone does not get level with the shop");
    }

    /// A phone's day of so many readings of each machine, offered: one request for each so many machines.
    pub(crate) fn days(&mut self, of_machines: usize, readings: usize) -> (DeviceId, Vec<ExchangeRequest>) {
        let mut phone = self.filled_phone(Store::in_memory().unwrap());
        self.visit(&mut phone, readings);
        let whole = phone.outgoing().offer_only(&self.now()).unwrap();
        let requests = self.machines.chunks(of_machines).map(|machines| {
            let machines: BTreeSet<DocId> = machines.iter().copied().collect();
            let docs = whole.docs.iter().filter(|offer| machines.contains(&offer.id)).cloned().collect();
            let request = ExchangeRequest { docs, ..whole.clone() };
            let offered: usize = request.docs.iter().map(|offer| offer.recipes.len()).sum();
            assert_eq!(offered, machines.len() * readings, "one page holds the whole day");
            request
        });
        (phone.identity().unwrap().device, requests.collect())
    }

    /// Requests of a phone that bring records of one document none of which has seen any other: as from many devices at once.
    pub(crate) fn unseen(&mut self, phone: &Book, doc: DocId, bodies: Vec<Body>) -> Vec<ExchangeRequest> {
        let (identity, store) = (phone.identity().unwrap().clone(), phone.store());
        let frontier = Frontier::read(store, doc).unwrap();
        let mut deps = frontier.heads();
        let mut start_op = frontier.top_op(store, &deps).unwrap() + 1;
        let actor = Bytes16(random(&mut self.dice));
        let whole = phone.outgoing().offer_only(&self.now()).unwrap();
        let mut requests = Vec::new();
        for (seq, some) in (1..).zip(bodies.chunks(MOST_RECORDS)) {
            let mut records = Vec::with_capacity(some.len());
            for body in some {
                self.now_ms += 1;
                let (id, clock) = (
                    fresh_record(&self.now(), identity.device, &mut self.dice),
                    ClockEvidence { offset_ms: Some(0), uncertainty_ms: Some(1), ..ClockEvidence::default() },
                );
                let record = Record {
                    id,
                    doc,
                    by: identity.person,
                    measured_by: None,
                    at_ms: self.now_ms,
                    clock,
                    seen: Vec::new(),
                    body: body.clone(),
                };
                records.push(Blob(sign(&record, identity.device, identity.keys().unwrap().record(), identity.root.shop).unwrap()));
            }
            let time = self.now_ms;
            let mut recipe = Recipe { hash: Bytes32([0; 32]), actor, seq, start_op, deps, time, records };
            recipe.hash = change_hash(doc, &recipe).unwrap();
            (deps, start_op) = (vec![recipe.hash], start_op + recipe.records.len() as u64);
            let offer = DocOffer { id: doc, heads: vec![recipe.hash], recipes: vec![recipe.into()], lacking: false };
            requests.push(ExchangeRequest { docs: vec![offer], ..whole.clone() });
        }
        requests
    }

    /// Readings of one valve that all agree, none of which has seen another, brought to the shop.
    pub(crate) fn tips(&mut self, phone: &Book, machine: DocId, count: usize) {
        let first = self.reading();
        for request in self.unseen(phone, machine, vec![first; count]) {
            let answer = self.answer(phone.identity().unwrap().device, &request);
            assert!(answer.docs.iter().all(|doc| doc.refused.is_empty()), "nothing is refused");
        }
    }
}
