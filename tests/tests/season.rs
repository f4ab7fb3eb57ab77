//! A season of guided visits to an engine whose truth is known: lash, drift, lock-nut carry, and hands with a stated feel.
//!
//! Everything goes the way of the trade: the book's guide says which valve and step, its trial says which leaf, and what is told of
//! drift and carry is held against what was put in. The engine, its figures and its technician are invented.

#![expect(clippy::unwrap_used, reason = "a test may panic")]
#![expect(clippy::cast_precision_loss, reason = "small whole numbers")]

use std::collections::BTreeMap;

use shared::carry::Carry;
use shared::drift::Drift;
use shared::hours::Hours;
use shared::ids::{DocId, PersonId};
use shared::leaf::{Feeler, LeafSet};
use shared::length::{Length, LengthUnit};
use shared::record::Stage;
use shared::role::Role;
use shared::valve::{Side, Valve};
use sync_core::commands::{Ask, ReadingEntry, Step, Tried, VisitEntry};
use tests::{Crew, Dice};

/// What drift and carry leave out, both ends together: `shared::drift` says 5 %.
const STATED: f64 = 0.95;

/// What is true of one season, and hidden from the book. In thou.
#[derive(Debug, Clone, Copy)]
struct Truth {
    /// In 100 engine hours, intake and exhaust.
    drift: [f64; 2],
    /// What the lock nut adds to a setting.
    carry: f64,
    /// The standard deviation of the gap at which a leaf is felt to go, at each try.
    feel: f64,
    /// The same of a setting about the aim.
    setting: f64,
}

/// Both sides close, and the lock nut closes them too: what the trade expects.
const USUAL: Truth = Truth { drift: [-0.5, -0.8], carry: -0.4, feel: 0.15, setting: 0.2 };

/// One season.
struct Season {
    crew: Crew,
    phone: usize,
    machine: DocId,
    set: LeafSet,
    truth: Truth,
    /// The engine's and the hands' own chance, apart from the book's.
    chance: Dice,
    /// The true lash of each valve, in thou.
    lash: BTreeMap<Valve, f64>,
    /// Set and not yet turned over.
    carries: Vec<Valve>,
}

impl Season {
    fn new(seed: u64, truth: Truth) -> Self {
        let mut crew = Crew::new(seed);
        let phone = crew.join("Tech", Role::Tech);
        let machine = crew.machine("M-1");
        crew.give_yard(phone);
        crew.level_all();
        let mut season = Self {
            crew,
            phone,
            machine,
            set: LeafSet::inch(),
            truth,
            chance: Dice::new(seed ^ 0x5ea5_0000),
            lash: BTreeMap::new(),
            carries: Vec::new(),
        };
        for valve in Valve::all(2) {
            let first = aim(valve) + season.normal(0.5);
            season.lash.insert(valve, first);
        }
        season
    }

    /// A normal deviate: twelve uniform ones, less six (from memory).
    fn normal(&mut self, deviation: f64) -> f64 {
        let sum: f64 = (0..12).map(|_| (self.chance.throw() >> 11) as f64 / (1u64 << 53) as f64).sum();
        (sum - 6.0) * deviation
    }

    fn run(&mut self, hours: f64) {
        for (valve, lash) in &mut self.lash {
            *lash += self.truth.drift[side(*valve)] * hours / 100.0;
        }
    }

    /// Whether a leaf is felt to go.
    fn goes(&mut self, valve: Valve, leaf: Length) -> bool {
        leaf.mm() / 0.0254 <= self.lash[&valve] + self.normal(self.truth.feel)
    }

    /// One visit, as the guide leads it; how many readings it took.
    fn visit(&mut self, meter: i64) -> usize {
        let (phone, machine) = (self.phone, self.machine);
        self.crew.wait_min(7 * 24 * 60);
        let entry =
            VisitEntry { cold: true, cautions_confirmed: true, meter: Some(Hours::from_tenths(meter * 10)), ..VisitEntry::default() };
        self.crew.on(phone, |book, hand| book.author().open_visit(machine, &entry, hand).unwrap());
        let mut readings = 0;
        loop {
            let moment = self.crew.moment(phone);
            let guide = self.crew.phones[phone].book.advisor().guide(machine, None, &self.set, LengthUnit::Thou, &moment).unwrap();
            // What waits is a reading that settled nothing: it is set to the aim, as the screens offer.
            let waits = || guide.valves.iter().find(|one| one.next == Step::SetToAim).map(|one| one.valve);
            let Some(valve) = guide.next.or_else(waits) else { break };
            let step = guide.valves.iter().find(|one| one.valve == valve).unwrap().next;
            match step {
                Step::Adjust | Step::SetToAim => {
                    let at = aim(valve) + self.normal(self.truth.setting);
                    self.lash.insert(valve, at);
                    self.carries.push(valve);
                }
                Step::TurnOver => {
                    for valve in std::mem::take(&mut self.carries) {
                        *self.lash.get_mut(&valve).unwrap() += self.truth.carry;
                    }
                }
                _ => {}
            }
            self.read(valve, step.reads().unwrap());
            readings += 1;
            assert!(readings < 60, "the check never ends: {:?}", self.lash);
        }
        self.crew.on(phone, |book, hand| book.author().finish_visit(machine, None, "", hand).unwrap());
        readings
    }

    /// Tries leaf after leaf as the trial asks, and keeps the reading.
    fn read(&mut self, valve: Valve, stage: Stage) {
        let (phone, machine) = (self.phone, self.machine);
        let mut tried: Vec<Tried> = Vec::new();
        let view = loop {
            let moment = self.crew.moment(phone);
            let view = self.crew.phones[phone].book.advisor().trial(machine, valve, &tried, &self.set, LengthUnit::Thou, &moment).unwrap();
            let singles = self.set.leaves().iter().copied();
            let next = match &view.next {
                Ask::Try { leaf } => leaf.feeler.clone(),
                // The next single leaf beyond those tried, until one answers otherwise.
                Ask::HowTight => match singles.rev().find(|leaf| Some(*leaf) < view.no_go) {
                    Some(leaf) => Feeler { thickness: leaf, leaves: vec![leaf] },
                    None => break view,
                },
                Ask::HowLoose => {
                    let leaf = singles.into_iter().find(|leaf| Some(*leaf) > view.go).unwrap();
                    Feeler { thickness: leaf, leaves: vec![leaf] }
                }
                Ask::Both | Ask::Enough => break view,
            };
            let goes = self.goes(valve, next.thickness);
            tried.push(Tried { feeler: next, goes });
        };
        let adjusted = stage == Stage::Set;
        let entry = ReadingEntry { valve, stage, go: view.go, no_go: view.no_go, leaves: view.leaves, adjusted, cold: None };
        let set = self.set.clone();
        self.crew.on(phone, |book, hand| book.author().take_reading(machine, entry, &set, LengthUnit::Thou, hand).unwrap());
    }

    fn person(&self) -> PersonId {
        self.crew.phones[self.phone].person
    }
}

fn side(valve: Valve) -> usize {
    usize::from(valve.side() == Side::Exhaust)
}

fn aim(valve: Valve) -> f64 {
    [5.0, 6.0][side(valve)]
}

/// In thou, from tenths of a µm.
fn thou(tenth_um: f64) -> f64 {
    tenth_um / 254.0
}

/// Whether an interval in tenths of a µm holds a truth in thou; an open end holds whatever lies on its side.
fn holds(low: Option<f64>, high: Option<f64>, truth: f64) -> bool {
    low.is_none_or(|low| thou(low) <= truth) && high.is_none_or(|high| truth <= thou(high))
}

/// The least count of hits that a true rate of `rate` gives in all but 1 in 1000 rows of `of` tries: mean less 3.09 deviations, by
/// the normal approximation (textbook, from memory).
fn at_least(of: usize, rate: f64) -> usize {
    let mean = of as f64 * rate;
    (0..=of).find(|hits| *hits as f64 >= mean - 3.09 * (mean * (1.0 - rate)).sqrt()).unwrap()
}

/// What the book says after a season of twelve visits, 50 h apart.
struct Told {
    /// Of each valve: its true drift, and what is said of it.
    drifts: Vec<(f64, Drift, String)>,
    carry: Carry,
}

fn played(seed: u64, truth: Truth) -> Told {
    let mut season = Season::new(seed, truth);
    for visit in 0..12 {
        season.visit(100 + visit * 50);
        season.run(50.0);
    }
    let book = &season.crew.phones[season.phone].book;
    let drift = |valve: Valve| {
        let mut reckoned = book.reckoner().drift_of(season.machine, valve, LengthUnit::Thou).unwrap();
        (truth.drift[side(valve)], reckoned.facts.drift, reckoned.words.swap_remove(0))
    };
    let drifts = Valve::all(2).into_iter().map(drift).collect();
    Told { drifts, carry: book.reckoner().carry_of(season.person(), LengthUnit::Thou).unwrap().facts }
}

#[test]
fn drift_and_carry_hold_the_truth_at_their_stated_level() {
    let mut chance = Dice::new(20);
    let mut between = |low: f64, high: f64| low + (high - low) * (chance.throw() >> 11) as f64 / (1u64 << 53) as f64;
    let (mut drifts, mut held, mut carries, mut carry_held) = (0, 0, 0, 0);
    for seed in 1..=25 {
        let drift = [between(-1.0, 0.6), between(-1.0, 0.6)];
        let truth = Truth { drift, carry: between(-0.8, 0.5), feel: between(0.05, 0.35), setting: between(0.1, 0.4) };
        let told = played(seed, truth);
        for (drift, said, _) in &told.drifts {
            drifts += 1;
            held += usize::from(holds(said.low, said.high, *drift));
        }
        carries += 1;
        carry_held += usize::from(holds(told.carry.low, told.carry.high, truth.carry));
    }
    println!("drift held {held} of {drifts}, carry held {carry_held} of {carries}");
    assert!(held >= at_least(drifts, STATED), "{held} of {drifts}");
    assert!(carry_held >= at_least(carries, STATED), "{carry_held} of {carries}");
}

/// An interval from nothing to anything holds every truth, so what is said must tell too. Leaves at the limits alone, with the aim leaf
/// never tried, told two fifths of these drifts wrong by over half a thou, and a carry of 0.4 thou as none.
#[test]
fn a_valve_that_closes_is_told_to_close_and_by_about_how_much() {
    let (mut valves, mut told, mut near, mut off, mut carry) = (0, 0, 0, 0.0, 0.0);
    let seasons = 12;
    for seed in 101..101 + seasons {
        let season = played(seed, USUAL);
        for (drift, said, words) in &season.drifts {
            valves += 1;
            told += usize::from(words.starts_with("Closes by about"));
            let likely = thou(said.tenth_um_per_100h.unwrap());
            near += usize::from((likely - drift).abs() <= 0.5);
            off += likely - drift;
        }
        carry += thou(season.carry.likely.unwrap()) / seasons as f64;
    }
    let off = off / valves as f64;
    println!("told {told} and near {near} of {valves}, {off:.2} off in the mean; carry {carry:.2}");
    assert_eq!(told, valves);
    assert!(near >= at_least(valves, STATED), "{near} of {valves}");
    assert!(off.abs() <= 0.25, "{off}");
    assert!((carry - USUAL.carry).abs() <= 0.1, "{carry}");
}
