//! A small shop without a server: its book, an office's and a technician's, made level by handing requests over. The
//! terminal then runs on the devices' books with a clock and a source of randomness that repeat exactly.

#![allow(dead_code, reason = "each test file uses its own part of the world")]
#![allow(clippy::unwrap_used, reason = "a test's own world fails by panicking")]

mod history;
#[path = "../../../shared/tests/slips.rs"]
mod slips;

use std::cell::Cell;
use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::rc::Rc;

use cli_client::Environment;
use shared::engine_card::{Adjuster, Duty, EngineCard, Ignition, Interval, Range, Rocker, Source, Thread};
use shared::ids::{CardId, PersonId};
use shared::length::Length;
use shared::record::{MachineCard, PropertyCard, ShopCard};
use shared::role::Role;
use sync_core::book::Book;
use sync_core::book::enrol::Founding;
use sync_core::commands::ActionContext;
use sync_core::sys::clock::ClockReading;

/// 2026-04-29 08:00 UTC.
pub(crate) const MORNING_MS: i64 = 1_777_449_600_000;
/// Nothing answers here.
pub(crate) const NOWHERE: &str = "http://127.0.0.1:9";

/// What a run gave.
#[derive(Debug)]
#[must_use]
pub(crate) struct Ran {
    pub(crate) code: i32,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl Ran {
    /// Its output, having gone as expected, and nowhere wider than 80 columns.
    pub(crate) fn screen(self, code: i32) -> String {
        assert_eq!(self.code, code, "{self:?}");
        let wide: Vec<&str> = self.out.lines().chain(self.err.lines()).filter(|line| line.chars().count() > 80).collect();
        assert!(wide.is_empty(), "wider than 80 columns: {wide:#?}");
        if self.err.is_empty() { self.out } else { format!("{}--- on standard error\n{}", self.out, self.err) }
    }

    /// Its output as one JSON document.
    pub(crate) fn json(self, code: i32) -> serde_json::Value {
        assert_eq!(self.code, code, "{self:?}");
        serde_json::from_str(&self.out).unwrap()
    }

    /// Its error as one JSON document.
    pub(crate) fn error(self, code: i32) -> serde_json::Value {
        assert_eq!(self.code, code, "{self:?}");
        assert_eq!(self.out, "", "an error prints nothing on standard output");
        serde_json::from_str::<serde_json::Value>(&self.err).unwrap()["error"].clone()
    }
}

/// The world of one test.
pub(crate) struct World {
    folder: tempfile::TempDir,
    clock_ms: Rc<Cell<i64>>,
    seed: Rc<Cell<u64>>,
}

impl World {
    /// An empty world.
    pub(crate) fn new() -> Self {
        Self::at(MORNING_MS)
    }

    fn at(clock_ms: i64) -> Self {
        Self { folder: tempfile::tempdir().unwrap(), clock_ms: Rc::new(Cell::new(clock_ms)), seed: Rc::new(Cell::new(7)) }
    }

    /// A shop with an office (Olga), a lead (Lars), a tech (Tove) and a helper (Hans), each with a device; one property;
    /// a twin with its card (T-1), a single without one (T-2).
    pub(crate) fn with_shop() -> Self {
        Self::with_shop_at(MORNING_MS)
    }

    fn with_shop_at(clock_ms: i64) -> Self {
        let world = Self::at(clock_ms);
        let mut shop = world.open("shop");
        let settings = ShopCard::usual("Test Shop", "UTC");
        let founding = Founding { shop: settings, office_name: "Olga Voss".into(), issuer: "https://shop.test".into() };
        let code = shop.found_shop(&founding, &world.now(), &mut world.entropy()).unwrap();
        let mut office = world.enrol(&mut shop, "office", &code);
        let people = [("Lars Holm", Role::Lead), ("Tove Ask", Role::Tech), ("Hans Lind", Role::Helper)];
        let people: Vec<PersonId> =
            people.iter().map(|(name, role)| world.hand(|hand| office.author().add_person(name, *role, hand)).unwrap()).collect();
        let access = "gate 12".to_owned();
        let card = PropertyCard { name: "Alder Court".into(), address: String::new(), access, season: None };
        let property = world.hand(|hand| office.author().add_property(card, hand)).unwrap();
        for person in &people {
            world.hand(|hand| office.author().assign(*person, property, true, hand)).unwrap();
        }
        world.hand(|hand| office.author().keep_engine_card(twin(), hand)).unwrap();
        for (tag, engine_card) in [("T-1", Some(twin().card)), ("T-2", None)] {
            let description = "mower".to_owned();
            let cylinders = if engine_card.is_none() { Some(1) } else { None };
            let card = MachineCard {
                tag: tag.into(),
                description,
                property,
                engine_card,
                cylinders,
                duty: Duty::Commercial,
                hours_per_week: None,
                provisional: false,
            };
            world.hand(|hand| office.author().add_machine(card, hand)).unwrap();
        }
        world.level(&mut shop, &mut office);
        let olga = office.identity().unwrap().person;
        for (device, person) in [("lars", people[0]), ("tove", people[1]), ("hans", people[2])] {
            let issued = shop.issue_code(olga, person, &world.now(), &mut world.entropy()).unwrap();
            drop(world.enrol(&mut shop, device, &issued.code));
        }
        world.level(&mut shop, &mut office);
        world
    }

    fn enrol(&self, shop: &mut Book, device: &str, code: &str) -> Book {
        let mut book = self.open(device);
        let request = book.enrol_request(code, &format!("{device}-device"), &self.now(), &mut self.entropy()).unwrap();
        let answer = shop.admit_device(&request, &self.now(), &mut self.entropy()).unwrap();
        book.enrolled(&answer, NOWHERE).unwrap();
        self.level(shop, &mut book);
        book
    }

    fn level(&self, shop: &mut Book, book: &mut Book) {
        let device = book.identity().unwrap().device;
        for _ in 0..20 {
            let sent_at = self.now();
            let request = book.outgoing().offer(&sent_at).unwrap();
            let answer = shop.peer().answer(device, &request, &self.now(), &mut self.entropy()).unwrap();
            if !book.peer().take_answer(&sent_at, &answer, &self.now(), &mut self.entropy()).unwrap().more {
                return;
            }
        }
        panic!("the test's own books do not get level");
    }

    /// Makes a device and the shop level, as an exchange would.
    pub(crate) fn exchange(&self, device: &str) {
        self.level(&mut self.open("shop"), &mut self.open(device));
    }

    fn open(&self, name: &str) -> Book {
        Book::open(&self.path(name), &mut self.entropy()).unwrap()
    }

    fn hand<T>(&self, step: impl FnOnce(&mut ActionContext<'_>) -> T) -> T {
        let mut entropy = self.entropy();
        step(&mut ActionContext { now: self.now(), entropy: &mut entropy, measured_by: None })
    }

    /// A device's book file.
    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(format!("{name}.db"))
    }

    pub(crate) fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Lets time pass.
    pub(crate) fn pass_min(&self, minutes: i64) {
        self.clock_ms.set(self.clock_ms.get() + minutes * 60_000);
    }

    fn now(&self) -> ClockReading {
        tick(&self.clock_ms)
    }

    fn entropy(&self) -> impl FnMut(&mut [u8]) + use<> {
        let seed = Rc::clone(&self.seed);
        move |buffer| fill(&seed, buffer)
    }

    /// Runs the terminal on a device's book.
    pub(crate) fn tappet(&self, device: &str, args: &[&str]) -> Ran {
        self.run(device, args, None)
    }

    /// The same with answers to its questions, on something that passes for a terminal.
    pub(crate) fn answering(&self, device: &str, args: &[&str], answers: &str) -> Ran {
        self.run(device, args, Some(answers))
    }

    fn run(&self, device: &str, args: &[&str], answers: Option<&str>) -> Ran {
        let mut argv: Vec<OsString> = vec!["tappet".into(), "--book".into(), self.path(device).into()];
        argv.extend(args.iter().map(OsString::from));
        let (mut out, mut err) = (Vec::new(), Vec::new());
        let code = {
            let clock = Rc::clone(&self.clock_ms);
            let mut env = Environment::simulated(move || tick(&clock), self.entropy());
            env.stdout = Box::new(&mut out);
            env.stderr = Box::new(&mut err);
            if let Some(answers) = answers {
                env.stdin = Box::new(answers.as_bytes());
                env.is_tty = true;
            }
            cli_client::run(argv, &mut env)
        };
        let (out, err) = (String::from_utf8(out).unwrap(), String::from_utf8(err).unwrap());
        // Whatever is said in any test: one thing is one.
        assert_eq!(slips::slips(&format!("{out}\n{err}")), Vec::<String>::new(), "{args:?}: {out}{err}");
        Ran { code, out, err }
    }
}

/// Each look at the clock is a second later: no two steps at the same time, and the same times in every run.
fn tick(clock_ms: &Cell<i64>) -> ClockReading {
    clock_ms.set(clock_ms.get() + 1_000);
    ClockReading::at(clock_ms.get())
}

/// Repeatable bytes (SplitMix64's steps): for ids and keys of tests alone.
fn fill(seed: &Cell<u64>, buffer: &mut [u8]) {
    for byte in buffer {
        seed.set(seed.get().wrapping_add(0x9e37_79b9_7f4a_7c15));
        let mut mixed = seed.get();
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        *byte = (mixed >> 56) as u8;
    }
}

/// An invented twin: intake 4 to 6 thou, exhaust 5 to 7.
pub(crate) fn twin() -> EngineCard {
    let range = |low, high, aim| Range { low: Length::from_thou(low), high: Length::from_thou(high), aim: Some(Length::from_thou(aim)) };
    let interval = |hours| Interval { hours, months: Some(6) };
    EngineCard {
        source: Some(Source { manual: "Invented manual".into(), page: "12".into() }),
        commercial: interval(Some(100)),
        homeowner: interval(None),
        adjuster: Some(Adjuster { thread: Thread::PerInch(28), rocker: Rocker::PushRodEndScrew, ratio_milli: 1400 }),
        ignition: Some(Ignition::Spark),
        ..EngineCard::plain(CardId::from_bytes([9; 16]), "Invented twin", 2, range(4, 6, 5), range(5, 7, 6))
    }
}
