//! An invented shop in the same process, and phones on the façade, for the tests beside this.

#![expect(clippy::unwrap_used, reason = "a test may panic")]
#![allow(dead_code, reason = "each test uses its part")]

use std::sync::{Arc, Mutex};

use shared::bytes::Bytes16;
use shared::engine_card::{Adjuster, Duty, EngineCard, Interval, Range, Rocker, Source, Thread};
use shared::ids::{CardId, DocId};
use shared::length::Length;
use shared::problem::{Code, Problem};
use shared::record::{MachineCard, PropertyCard, ShopCard};
use shared::role::Role;
use shared::wire::{EnrolRequest, ExchangeRequest, TokenAnswer};
use sync_core::book::Book;
use sync_core::book::enrol::Founding;
use sync_core::book::login::LoginError;
use sync_core::book::pictures::named;
use sync_core::commands::ActionContext;
use sync_core::store::Store;
use sync_core::sync::{Report, read_body, write_body};
use sync_core::sys::clock::ClockReading;
use tappet_kit::{Call, Kit, Surroundings};

/// 2026-06-01 06:00 UTC.
pub(crate) const MORNING: i64 = 1_780_293_600_000;

/// Clocks and dice that a test turns.
#[derive(Clone)]
pub(crate) struct World(pub(crate) Arc<Mutex<(i64, u64)>>);

/// What one phone sees of it: its clock is off by so much.
pub(crate) struct Phone(pub(crate) World, pub(crate) i64);

impl World {
    pub(crate) fn now(&self) -> i64 {
        let mut world = self.0.lock().unwrap();
        world.0 += 1_000;
        world.0
    }

    /// Pseudo-random bytes (xorshift64*): for replay, never for keys that matter.
    pub(crate) fn throw(&self, buffer: &mut [u8]) {
        let mut world = self.0.lock().unwrap();
        for byte in buffer {
            world.1 ^= world.1 >> 12;
            world.1 ^= world.1 << 25;
            world.1 ^= world.1 >> 27;
            *byte = world.1.wrapping_mul(0x2545_F491_4F6C_DD1D).to_le_bytes()[7];
        }
    }
}

impl Surroundings for Phone {
    fn now(&mut self) -> ClockReading {
        let now = self.0.now();
        ClockReading { wall_ms: now + self.1, steady_ms: now, boot: Bytes16([7; 16]) }
    }

    fn fill(&mut self, buffer: &mut [u8]) {
        self.0.throw(buffer);
    }
}

pub(crate) struct Shop {
    pub(crate) book: Book,
    pub(crate) world: World,
    pub(crate) machine: DocId,
    pub(crate) code: String,
    /// Bytes of photos that came.
    pub(crate) pictures: Vec<Vec<u8>>,
}

pub(crate) fn thou(n: i64) -> Length {
    Length::from_thou(n)
}

/// An invented shop with a tech, a yard and one machine with a twin engine: 4 to 6 thou intake, 5 to 7 exhaust.
pub(crate) fn shop() -> Shop {
    let world = World(Arc::new(Mutex::new((MORNING, 0x9E37_79B9))));
    let throwing = world.clone();
    let mut dice = move |buffer: &mut [u8]| throwing.throw(buffer);
    let mut book = Book::over(Store::in_memory().unwrap(), &mut dice).unwrap();
    let founding =
        Founding { shop: ShopCard::usual("Invented shop", "UTC"), office_name: "Office".into(), issuer: "http://127.0.0.1".into() };
    let code = book.found_shop(&founding, &ClockReading::at(MORNING), &mut dice).unwrap();
    // The office's device enters the yard, and hands it over.
    let mut office = Kit::in_memory(Box::new(Phone(world.clone(), 0))).unwrap();
    let mut shop = Shop { book, world: world.clone(), machine: DocId::from_bytes([0; 16]), code, pictures: Vec::new() };
    shop.enrol(&mut office);
    shop.level(&mut office);
    let mut desk = Book::over(Store::in_memory().unwrap(), &mut dice).unwrap();
    let person = shop.book.roster().unwrap().people.keys().copied().next().unwrap();
    let issued = shop.book.issue_code(person, person, &ClockReading::at(MORNING), &mut dice).unwrap();
    let request = desk.enrol_request(&issued.code, "desk", &ClockReading::at(MORNING), &mut dice).unwrap();
    let answer = shop.book.admit_device(&request, &ClockReading::at(MORNING), &mut dice).unwrap();
    desk.enrolled(&answer, "http://127.0.0.1").unwrap();
    shop.level_book(&mut desk);
    let mut hand = ActionContext { now: ClockReading::at(world.now()), entropy: &mut dice, measured_by: None };
    let tech = desk.author().add_person("Tech", Role::Tech, &mut hand).unwrap();
    desk.author().keep_engine_card(card(), &mut hand).unwrap();
    let yard = PropertyCard { name: "Invented yard".into(), address: String::new(), access: "Gate".into(), season: None };
    let yard = desk.author().add_property(yard, &mut hand).unwrap();
    desk.author().assign(tech, yard, true, &mut hand).unwrap();
    let machine = MachineCard {
        tag: "M-1".into(),
        description: String::new(),
        property: yard,
        engine_card: Some(card().card),
        cylinders: None,
        duty: Duty::Commercial,
        hours_per_week: None,
        provisional: false,
    };
    shop.machine = desk.author().add_machine(machine, &mut hand).unwrap();
    shop.level_book(&mut desk);
    shop.code = shop.book.issue_code(person, tech, &ClockReading::at(world.now()), &mut dice).unwrap().code;
    shop
}

fn card() -> EngineCard {
    let range = |low, high, aim| Range { low: thou(low), high: thou(high), aim: Some(thou(aim)) };
    EngineCard {
        source: Some(Source { manual: "Invented manual".into(), page: "12".into() }),
        commercial: Interval { hours: Some(100), months: Some(6) },
        homeowner: Interval { hours: None, months: Some(12) },
        adjuster: Some(Adjuster { thread: Thread::PitchUm(1000), rocker: Rocker::RockerStudNut, ratio_milli: 1300 }),
        ..EngineCard::plain(CardId::from_bytes([0xca; 16]), "Invented twin", 2, range(4, 6, 5), range(5, 7, 6))
    }
}

impl Shop {
    /// The shop's server, as far as these calls need one.
    pub(crate) fn serve(&mut self, call: &Call) -> (u16, Vec<u8>) {
        let world = self.world.clone();
        let mut dice = move |buffer: &mut [u8]| world.throw(buffer);
        let now = ClockReading::at(self.world.now());
        match &*call.path {
            "/v1/enrol" => {
                let request: EnrolRequest = serde_json::from_slice(&call.body).unwrap();
                (200, serde_json::to_vec(&self.book.admit_device(&request, &now, &mut dice).unwrap()).unwrap())
            }
            "/v1/token" => {
                let form = String::from_utf8(call.body.clone()).unwrap();
                let assertion = form.split("client_assertion=").nth(1).unwrap();
                match self.book.tokens().log_in(assertion, &now) {
                    Ok((access_token, life)) => {
                        let expires_in = u64::try_from(life).unwrap();
                        (200, serde_json::to_vec(&TokenAnswer { access_token, token_type: "Bearer".into(), expires_in }).unwrap())
                    }
                    Err(LoginError::Refused(code, why)) => {
                        let shop_time_ms = (code == Code::ClockWrong).then_some(now.wall_ms);
                        (401, serde_json::to_vec(&Problem { shop_time_ms, ..Problem::new(code, 401, why) }).unwrap())
                    }
                    Err(LoginError::Book(error)) => panic!("{error}"),
                }
            }
            "/v1/exchange" => {
                let bearer = call.headers.iter().find(|(name, _)| *name == "authorization").unwrap().1.clone();
                let (device, _) = self.book.tokens().bearer(bearer.strip_prefix("Bearer ").unwrap(), &now).unwrap();
                let request: ExchangeRequest = read_body(&call.body, true).unwrap();
                let answer = self.book.peer().answer(device, &request, &now, &mut dice).unwrap();
                (200, write_body(&answer, true).unwrap())
            }
            other if other.starts_with("/v1/photos/") => self.photo(call),
            other => panic!("{other}"),
        }
    }

    /// As the server's route does it, over a folder that is in memory.
    fn photo(&mut self, call: &Call) -> (u16, Vec<u8>) {
        let now = ClockReading::at(self.world.now());
        let bearer = call.headers.iter().find(|(name, _)| *name == "authorization").unwrap().1.clone();
        let (_, person) = self.book.tokens().bearer(bearer.strip_prefix("Bearer ").unwrap(), &now).unwrap();
        let (doc, hash) = call.path.strip_prefix("/v1/photos/").unwrap().split_once('/').unwrap();
        match self.book.photos().open_to(person, doc.parse().unwrap(), named(hash).unwrap()) {
            Ok(()) => {
                self.pictures.push(call.body.clone());
                (204, Vec::new())
            }
            Err(why) => (404, serde_json::to_vec(&Problem::new(Code::NotFound, 404, why.to_string())).unwrap()),
        }
    }

    pub(crate) fn enrol(&mut self, kit: &mut Kit) {
        let call = kit.enrol_call(&self.code, "phone").unwrap();
        let (status, body) = self.serve(&call);
        kit.enrolled(status, &body, "http://127.0.0.1/").unwrap();
    }

    pub(crate) fn log_in(&mut self, kit: &mut Kit) -> usize {
        let mut calls = 0;
        while kit.needs_log_in() {
            let call = kit.log_in_call().unwrap();
            let (status, body) = self.serve(&call);
            kit.logged_in(status, &body).unwrap();
            calls += 1;
        }
        calls
    }

    pub(crate) fn level(&mut self, kit: &mut Kit) -> Report {
        self.log_in(kit);
        for _ in 0..50 {
            let call = kit.exchange_call(false).unwrap();
            let (status, body) = self.serve(&call);
            let report = kit.exchanged(status, &body).unwrap();
            if !report.more {
                return report;
            }
        }
        panic!("not level in 50 rounds");
    }

    pub(crate) fn level_book(&mut self, book: &mut Book) {
        let world = self.world.clone();
        let mut dice = move |buffer: &mut [u8]| world.throw(buffer);
        let device = book.identity().unwrap().device;
        loop {
            let now = ClockReading::at(self.world.now());
            let request = book.outgoing().offer(&now).unwrap();
            let answer = self.book.peer().answer(device, &request, &now, &mut dice).unwrap();
            if !book.peer().take_answer(&now, &answer, &now, &mut dice).unwrap().more {
                break;
            }
        }
    }

    pub(crate) fn phone(&self, clock_off_ms: i64) -> Kit {
        Kit::in_memory(Box::new(Phone(self.world.clone(), clock_off_ms))).unwrap()
    }
}
