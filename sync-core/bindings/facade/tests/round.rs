//! A whole round of a phone on the façade against the shop's half in the same process.

#![expect(clippy::unwrap_used, reason = "a test may panic")]

use std::sync::{Arc, Mutex};

use shared::bytes::Bytes16;
use shared::engine_card::{Adjuster, Duty, EngineCard, Interval, Range, Rocker, Source, Thread};
use shared::hours::Hours;
use shared::ids::{CardId, DocId};
use shared::leaf::Feeler;
use shared::length::Length;
use shared::problem::{Code, Problem};
use shared::record::{FindingKind, MachineCard, PropertyCard, ShopCard, Stage};
use shared::role::Role;
use shared::valve::Valve;
use shared::wire::{EnrolRequest, ExchangeRequest, TokenAnswer};
use sync_core::book::Book;
use sync_core::enrol::Founding;
use sync_core::exchange::{Report, read_body, write_body};
use sync_core::login::LoginError;
use sync_core::moment::Moment;
use sync_core::store::Store;
use sync_core::work::{Ask, Hand, ReadingEntry, ReadingOutcome, Step, Tried, VisitEntry};
use tappet_kit::{Call, Kit, LogIn, Surroundings};

/// 2026-06-01 06:00 UTC.
const MORNING: i64 = 1_780_293_600_000;

/// Clocks and dice that a test turns.
#[derive(Clone)]
struct World(Arc<Mutex<(i64, u64)>>);

/// What one phone sees of it: its clock is off by so much.
struct Phone(World, i64);

impl World {
    fn now(&self) -> i64 {
        let mut world = self.0.lock().unwrap();
        world.0 += 1_000;
        world.0
    }

    /// Pseudo-random bytes (xorshift64*): for replay, never for keys that matter.
    fn throw(&self, buffer: &mut [u8]) {
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
    fn now(&mut self) -> Moment {
        let now = self.0.now();
        Moment { wall_ms: now + self.1, steady_ms: now, boot: Bytes16([7; 16]) }
    }

    fn fill(&mut self, buffer: &mut [u8]) {
        self.0.throw(buffer);
    }
}

struct Shop {
    book: Book,
    world: World,
    machine: DocId,
    code: String,
}

fn thou(n: i64) -> Length {
    Length::from_thou(n)
}

/// An invented shop with a tech, a yard and one machine with a twin engine: 4 to 6 thou intake, 5 to 7 exhaust.
fn shop() -> Shop {
    let world = World(Arc::new(Mutex::new((MORNING, 0x9E37_79B9))));
    let throwing = world.clone();
    let mut dice = move |buffer: &mut [u8]| throwing.throw(buffer);
    let mut book = Book::over(Store::in_memory().unwrap(), &mut dice).unwrap();
    let founding =
        Founding { shop: ShopCard::usual("Invented shop", "UTC"), office_name: "Office".into(), issuer: "http://127.0.0.1".into() };
    let code = book.found_shop(&founding, &Moment::at(MORNING), &mut dice).unwrap();
    // The office's device enters the yard, and hands it over.
    let mut office = Kit::in_memory(Box::new(Phone(world.clone(), 0))).unwrap();
    let mut shop = Shop { book, world: world.clone(), machine: DocId::from_bytes([0; 16]), code };
    shop.enrol(&mut office);
    shop.level(&mut office);
    let mut desk = Book::over(Store::in_memory().unwrap(), &mut dice).unwrap();
    let person = shop.book.roster().unwrap().people.keys().copied().next().unwrap();
    let issued = shop.book.issue_code(person, person, &Moment::at(MORNING), &mut dice).unwrap();
    let request = desk.enrol_request(&issued.code, "desk", &Moment::at(MORNING), &mut dice).unwrap();
    let answer = shop.book.admit_device(&request, &Moment::at(MORNING), &mut dice).unwrap();
    desk.enrolled(&answer, "http://127.0.0.1").unwrap();
    shop.level_book(&mut desk);
    let mut hand = Hand { now: Moment::at(world.now()), entropy: &mut dice, measured_by: None };
    let tech = desk.add_person("Tech", Role::Tech, &mut hand).unwrap();
    desk.keep_engine_card(card(), &mut hand).unwrap();
    let yard = PropertyCard { name: "Invented yard".into(), address: String::new(), access: "Gate".into() };
    let yard = desk.add_property(yard, &mut hand).unwrap();
    desk.assign(tech, yard, true, &mut hand).unwrap();
    let machine = MachineCard {
        tag: "M-1".into(),
        description: String::new(),
        property: yard,
        engine_card: Some(card().card),
        cylinders: None,
        duty: Duty::Commercial,
        provisional: false,
    };
    shop.machine = desk.add_machine(machine, &mut hand).unwrap();
    shop.level_book(&mut desk);
    shop.code = shop.book.issue_code(person, tech, &Moment::at(world.now()), &mut dice).unwrap().code;
    shop
}

fn card() -> EngineCard {
    let range = |low, high, aim| Range { low: thou(low), high: thou(high), aim: Some(thou(aim)) };
    EngineCard {
        card: CardId::from_bytes([0xca; 16]),
        name: "Invented twin".into(),
        cylinders: 2,
        intake: range(4, 6, 5),
        exhaust: range(5, 7, 6),
        source: Some(Source { manual: "Invented manual".into(), page: "12".into() }),
        commercial: Interval { hours: Some(100), months: Some(6) },
        homeowner: Interval { hours: None, months: Some(12) },
        adjuster: Some(Adjuster { thread: Thread::PitchUm(1000), rocker: Rocker::StudPivot, ratio_milli: 1300 }),
        past_tdc: None,
    }
}

impl Shop {
    /// The shop's server, as far as these calls need one.
    fn serve(&mut self, call: &Call) -> (u16, Vec<u8>) {
        let world = self.world.clone();
        let mut dice = move |buffer: &mut [u8]| world.throw(buffer);
        let now = Moment::at(self.world.now());
        match call.path {
            "/v1/enrol" => {
                let request: EnrolRequest = serde_json::from_slice(&call.body).unwrap();
                (200, serde_json::to_vec(&self.book.admit_device(&request, &now, &mut dice).unwrap()).unwrap())
            }
            "/v1/token" => {
                let form = String::from_utf8(call.body.clone()).unwrap();
                let assertion = form.split("client_assertion=").nth(1).unwrap();
                match self.book.log_in(assertion, &now) {
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
                let (device, _) = self.book.bearer(bearer.strip_prefix("Bearer ").unwrap(), &now).unwrap();
                let request: ExchangeRequest = read_body(&call.body, true).unwrap();
                let answer = self.book.answer(device, &request, &now, &mut dice).unwrap();
                (200, write_body(&answer, true).unwrap())
            }
            other => panic!("{other}"),
        }
    }

    fn enrol(&mut self, kit: &mut Kit) {
        let call = kit.enrol_call(&self.code, "phone").unwrap();
        let (status, body) = self.serve(&call);
        kit.enrolled(status, &body, "http://127.0.0.1/").unwrap();
    }

    fn log_in(&mut self, kit: &mut Kit) -> usize {
        let mut calls = 0;
        while kit.needs_log_in() {
            let call = kit.log_in_call().unwrap();
            let (status, body) = self.serve(&call);
            kit.logged_in(status, &body).unwrap();
            calls += 1;
        }
        calls
    }

    fn level(&mut self, kit: &mut Kit) -> Report {
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

    fn level_book(&mut self, book: &mut Book) {
        let world = self.world.clone();
        let mut dice = move |buffer: &mut [u8]| world.throw(buffer);
        let device = book.identity().unwrap().device;
        loop {
            let now = Moment::at(self.world.now());
            let request = book.offer(&now).unwrap();
            let answer = self.book.answer(device, &request, &now, &mut dice).unwrap();
            if !book.take_answer(&now, &answer, &now, &mut dice).unwrap().more {
                break;
            }
        }
    }

    fn phone(&self, clock_off_ms: i64) -> Kit {
        Kit::in_memory(Box::new(Phone(self.world.clone(), clock_off_ms))).unwrap()
    }
}

/// Feels a valve whose gap is so wide, and keeps the reading at the stage that the guide asks for.
fn feel(kit: &mut Kit, machine: DocId, valve: Valve, stage: Stage, gap: Length) -> ReadingOutcome {
    let mut tried = Vec::new();
    let view = loop {
        let view = kit.trial(machine, valve, &tried).unwrap();
        match &view.next {
            Ask::Try { leaf } => tried.push(Tried { feeler: leaf.feeler.clone(), goes: leaf.feeler.thickness <= gap }),
            // How far off is known once the largest leaf that goes is.
            Ask::HowTight => tried.push(Tried { feeler: Feeler { thickness: gap, leaves: vec![gap] }, goes: true }),
            _ => break view,
        }
        assert!(tried.len() < 10, "{tried:?}");
    };
    let adjusted = stage == Stage::Set;
    let entry = ReadingEntry { valve, stage, go: view.go, no_go: view.no_go, leaves: view.leaves, adjusted, cold: None };
    let outcome = kit.take_reading(machine, entry).unwrap();
    // What the screen showed while the leaves were tried is what the kept reading says.
    assert_eq!(view.judged, outcome.judged);
    outcome
}

#[test]
fn a_whole_round_from_enrolment_to_the_shops_receipt() {
    let mut shop = shop();
    let mut kit = shop.phone(0);
    assert!(!kit.status().unwrap().enrolled);
    assert_eq!(kit.round().unwrap_err().code(), "not-enrolled");
    shop.enrol(&mut kit);
    assert_eq!(kit.exchange_call(false).unwrap_err().code(), "log-in-first");
    shop.level(&mut kit);
    assert_eq!(kit.prove(usize::MAX >> 1).unwrap(), 0);
    let round = kit.round().unwrap();
    assert_eq!(round.iter().map(|stop| (stop.property.name.as_str(), stop.due.len())).collect::<Vec<_>>(), [("Invented yard", 1)]);
    let machine = kit.find_machine("m-1").unwrap();
    assert_eq!(machine, shop.machine);
    let mark = kit.status().unwrap().mark;

    let refused = kit.open_visit(machine, &VisitEntry { cold: true, ..VisitEntry::default() }).unwrap_err();
    assert_eq!(refused.code(), "entry-invalid");
    assert!(refused.sentence().contains("cautions"), "{}", refused.sentence());
    let entry = VisitEntry { cold: true, cautions_confirmed: true, ..VisitEntry::default() };
    let visit = kit.open_visit(machine, &entry).unwrap().visit;
    // Three valves in range; the exhaust of cylinder 2 is tight, is set, and is right as left.
    let mut gaps = vec![("1I", 5), ("1E", 6), ("2I", 5), ("2E", 3)];
    let mut stages = Vec::new();
    while let Some(next) = kit.guide(machine).unwrap().next {
        let guide = kit.guide(machine).unwrap();
        let valve = guide.valves.iter().find(|v| v.valve == next).unwrap();
        let stage = valve.next.reads().unwrap();
        if valve.next == Step::Adjust {
            assert!(valve.last.as_ref().unwrap().turn.is_some());
            gaps.retain(|(name, _)| *name != "2E");
            gaps.push(("2E", 6));
        }
        let gap = gaps.iter().find(|(name, _)| *name == next.to_string()).unwrap().1;
        let outcome = feel(&mut kit, machine, next, stage, thou(gap));
        stages.push((next.to_string(), stage, outcome.verdict));
        assert!(stages.len() < 10, "{stages:?}");
    }
    let said: Vec<String> = stages.iter().map(|(valve, stage, verdict)| format!("{valve} {stage} {verdict}")).collect();
    assert_eq!(said, ["1I found in spec", "1E found in spec", "2I found in spec", "2E found tight", "2E set in spec", "2E left in spec"]);
    assert_eq!(kit.left_open(machine, visit).unwrap(), Vec::<String>::new());
    assert!(!kit.guide(machine).unwrap().hours_read);
    kit.read_hours(machine, Hours::from_tenths(15_234)).unwrap();
    kit.add_finding(machine, FindingKind::Watch, "Blade worn").unwrap();
    let (_, sha256) = kit.add_photo(machine, b"abc", "image/jpeg", "meter").unwrap();
    // SHA-256 of "abc": FIPS 180-4, the standard's own example.
    assert_eq!(sha256.to_string(), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    let done = kit.finish_visit(machine, "").unwrap();
    assert!(done.complete);
    assert_eq!(kit.open_visit_of(machine).unwrap(), None);

    let moved = kit.moved(mark).unwrap();
    assert_eq!((moved.everything, moved.documents), (false, vec![machine]));
    let status = kit.status().unwrap().level.unwrap();
    assert_eq!(status.waiting, 11);
    shop.level(&mut kit);
    assert_eq!(kit.status().unwrap().level.unwrap().waiting, 0);
    assert_eq!(kit.verify().unwrap().faults, Vec::<String>::new());
    let at_shop = shop.book.machine_view(machine, shared::length::LengthUnit::Thou, &Moment::at(shop.world.now())).unwrap();
    let here = kit.machine(machine).unwrap();
    assert_eq!(at_shop.lash, here.lash);
    assert_eq!(here.lash.len(), 6);
}

#[test]
fn a_phone_with_a_wrong_clock_is_told_the_time_and_signs_again() {
    let mut shop = shop();
    let mut kit = shop.phone(0);
    shop.enrol(&mut kit);
    let mut late = shop.phone(-3 * 86_400_000);
    shop.code = {
        let world = shop.world.clone();
        let mut dice = move |buffer: &mut [u8]| world.throw(buffer);
        let people = shop.book.roster().unwrap().people.clone();
        let office = people.iter().find(|(_, name)| *name == "Office").map(|(id, _)| *id).unwrap();
        shop.book.issue_code(office, office, &Moment::at(shop.world.now()), &mut dice).unwrap().code
    };
    shop.enrol(&mut late);
    // Enrolment told the time already.
    assert_eq!(shop.log_in(&mut late), 1);
    // A shop that says "wrong" to the very time that it told is not asked for ever.
    let call = late.log_in_call().unwrap();
    assert_eq!(call.path, "/v1/token");
    let told = |ms: i64| {
        let problem = Problem { shop_time_ms: Some(ms), ..Problem::new(Code::ClockWrong, 401, "The clock is off.") };
        serde_json::to_vec(&problem).unwrap()
    };
    assert_eq!(late.logged_in(401, &told(MORNING + 9 * 86_400_000)).unwrap(), LogIn::Again);
    assert_eq!(late.logged_in(401, &told(MORNING + 9 * 86_400_000)).unwrap_err().code(), "clock-wrong");
}

#[test]
fn a_token_that_holds_no_more_asks_for_another_log_in() {
    let mut shop = shop();
    let mut kit = shop.phone(0);
    shop.enrol(&mut kit);
    shop.log_in(&mut kit);
    assert!(!kit.needs_log_in());
    let problem = serde_json::to_vec(&Problem::new(Code::TokenInvalid, 401, "The access token has ended.")).unwrap();
    kit.exchange_call(false).unwrap();
    assert_eq!(kit.exchanged(401, &problem).unwrap_err().code(), "token-invalid");
    assert!(kit.needs_log_in());
    shop.world.0.lock().unwrap().0 += 3_600_000;
    shop.level(&mut kit);
}

#[test]
fn what_is_unsent_goes_by_another_phone() {
    let mut shop = shop();
    let mut kit = shop.phone(0);
    shop.enrol(&mut kit);
    shop.level(&mut kit);
    let machine = shop.machine;
    let entry = VisitEntry { cold: true, cautions_confirmed: true, ..VisitEntry::default() };
    kit.open_visit(machine, &entry).unwrap();
    feel(&mut kit, machine, "1I".parse().unwrap(), Stage::Found, thou(5));
    let made = kit.export_unsent().unwrap();
    assert_eq!(made.documents, 1);
    // The same person's other phone.
    let world = shop.world.clone();
    let mut dice = move |buffer: &mut [u8]| world.throw(buffer);
    let people = shop.book.roster().unwrap().people.clone();
    let id_of = |who: &str| people.iter().find(|(_, name)| *name == who).map(|(id, _)| *id).unwrap();
    shop.code = shop.book.issue_code(id_of("Office"), id_of("Tech"), &Moment::at(shop.world.now()), &mut dice).unwrap().code;
    let mut other = shop.phone(0);
    shop.enrol(&mut other);
    shop.level(&mut other);
    let taken = other.take_bundle(&made.bytes).unwrap();
    assert!(taken.taken > 0 && taken.refused.is_empty(), "{taken:?}");
    shop.level(&mut other);
    assert_eq!(shop.book.machine_view(machine, shared::length::LengthUnit::Thou, &Moment::at(shop.world.now())).unwrap().lash.len(), 1);
    assert_eq!(other.take_bundle(b"no bundle").unwrap_err().code(), "answer-unreadable");
}

#[test]
fn leaves_units_and_what_a_front_end_remembers() {
    let mut kit = shop().phone(0);
    assert!(!kit.leaves().unwrap().own);
    assert_eq!(kit.set_leaves("2-5").unwrap().words, ["2", "3", "4", "5"]);
    assert_eq!(kit.set_leaves("five").unwrap_err().code(), "entry-invalid");
    assert!(kit.leaves().unwrap().own);
    kit.set_unit(shared::length::LengthUnit::Mm).unwrap();
    assert_eq!(kit.read_length("0.1").unwrap(), Length::from_tenth_um(1_000));
    assert!(!kit.set_leaves(" ").unwrap().own);
    let value = serde_json::json!({ "valve": "1I" });
    kit.remember("trial", Some(&value)).unwrap();
    assert_eq!(kit.remembered("trial").unwrap(), Some(value));
    kit.remember("trial", None).unwrap();
    assert_eq!(kit.remembered("trial").unwrap(), None);
    assert_eq!(kit.remember("x", Some(&"y".repeat(70_000).into())).unwrap_err().code(), "given-unreadable");
}
