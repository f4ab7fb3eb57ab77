//! The morning: a shop with its office, a lead for each device of the workload, the properties and machines, and the fleet's
//! history. All of it comes in by the doors that devices use, so what the shop derives is the engine's own.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use serde::{Deserialize, Serialize};
use shared::bytes::Bytes32;
use shared::engine_card::{Duty, EngineCard};
use shared::ids::{DocId, PersonId};
use shared::record::{MachineCard, PropertyCard, ShopCard};
use shared::role::Role;
use sync_core::book::enrol::{EnrolError, Founding};
use sync_core::book::{Book, Draft};
use sync_core::commands::ActionContext;
use sync_core::sys::clock::ClockReading;
use sync_core::sys::rng::fresh_doc;

use super::history::{Forger, Ground};
use super::workload::{Line, Machine, days, lines};
use super::{Stopwatch, Work, about, chance, open, words};

/// Machines at one property.
const OF_A_PROPERTY: usize = 20;
/// Machines whose cards the office writes in one step.
const IN_A_STEP: usize = 500;
/// The shop is founded so long before the first reading.
const BEFORE_MS: i64 = 10 * 86_400_000;
/// The morning's exchange is so long before the first reading of the day, and the evening's so long after the last.
const AROUND_THE_DAY_MS: i64 = 6 * 3_600_000;
/// The most round trips until the office is level.
const MOST_ROUNDS: usize = 10_000;

/// The heads of documents.
type Heads = BTreeMap<DocId, Vec<Bytes32>>;

/// What the seeding leaves word of, for all that follows.
#[derive(Debug, Serialize, Deserialize)]
pub struct Seeded {
    /// The document of each machine, by the workload's id of it.
    pub machines: BTreeMap<String, DocId>,
    /// Devices.
    pub devices: usize,
    /// Records before the history: people, devices, cards. The shop's receipts are not among them.
    pub founding: u64,
    /// Records of the history.
    pub history: u64,
    /// Records that the devices will write, all of them.
    pub day: u64,
    /// When the first of those is written, ms since 1970 UTC.
    pub day_from_ms: i64,
    /// What the clocks show before the day, ms since 1970 UTC.
    pub morning_ms: i64,
    /// What they show after it.
    pub evening_ms: i64,
    /// A one-time code for the office's pages.
    pub office_code: String,
    /// How long the seeding took, in seconds.
    pub took_s: f64,
}

impl Seeded {
    /// Reads what a seeding left.
    ///
    /// # Errors
    /// A sentence.
    pub fn read(path: &Path) -> Result<Self, String> {
        serde_json::from_slice(&fs::read(path).map_err(about(path))?).map_err(about(path))
    }
}

fn refused(error: EnrolError) -> String {
    match error {
        EnrolError::Refused(_, why) => why,
        EnrolError::Book(error) => words(error),
    }
}

/// Puts a book on the roster as a device of the person whom the code is for.
fn enrol(shop: &mut Book, book: &mut Book, code: &str, name: &str, now: &ClockReading) -> Result<PersonId, String> {
    let request = book.enrol_request(code, name, now, &mut chance).map_err(words)?;
    let answer = shop.admit_device(&request, now, &mut chance).map_err(refused)?;
    book.enrolled(&answer, "http://127.0.0.1").map_err(words)?;
    Ok(answer.person)
}

/// Seeds a run in an empty folder. `say` is told how far it is.
///
/// # Errors
/// A sentence: a run over half a morning would measure nothing.
pub fn seed(data: &Path, work: &Work, say: &mut dyn FnMut(&str)) -> Result<Seeded, String> {
    let watch = Stopwatch::start();
    let machines: Vec<Machine> = lines(&data.join("machines.ndjson"))?;
    let fleet: Vec<Line> = lines(&data.join("fleet.ndjson"))?;
    let days = days(data)?;
    let of_day = || days.iter().flatten().map(Line::at_ms);
    let (first, last) = of_day().min().zip(of_day().max()).ok_or("nobody writes anything on that day")?;
    let began = fleet.iter().map(Line::at_ms).min().unwrap_or(first).saturating_sub(BEFORE_MS);
    for folder in [work.shop(), work.devices()] {
        fs::create_dir_all(&folder).map_err(about(&folder))?;
    }
    let mut founding = Beginning::found(work, ClockReading::at(began))?;
    let crew = founding.crew(work, days.len())?;
    let (documents, heads) = founding.machines(machines.len())?;
    let by_index: BTreeMap<usize, DocId> = documents.iter().copied().enumerate().collect();
    let machine_of = |machine: &Machine| Ok((machine.id.clone(), *by_index.get(&machine.i).ok_or("machines are not numbered from 0")?));
    let machines: BTreeMap<String, DocId> = machines.iter().map(machine_of).collect::<Result<_, String>>()?;
    say(&format!("{} records found the shop, after {:.1} s", founding.written, watch.wall_ms() / 1000.0));
    let history = fleet.len();
    let Beginning { mut shop, written, office_person, .. } = founding;
    let ground = Ground { crew: &crew, machines: &machines, heads: &heads };
    Forger::new(ground, fleet)?.write_into(&mut shop, say)?;
    let evening_ms = last.saturating_add(AROUND_THE_DAY_MS);
    let morning_ms = first.saturating_sub(AROUND_THE_DAY_MS);
    let code = shop.issue_code(office_person, office_person, &ClockReading::at(morning_ms), &mut chance).map_err(refused)?.code;
    // As the shop's server does in quiet minutes.
    while shop.upkeep().tidy(256).map_err(words)? > 0 {}
    let (held, ..) = shop.store().records().counts().map_err(words)?;
    let (founding, history, day) = (written, history as u64, of_day().count() as u64);
    if held != founding + history {
        return Err(format!("the shop holds {held} records where {founding} and {history} were written"));
    }
    drop(shop);
    let took_s = watch.wall_ms() / 1000.0;
    let devices = days.len();
    let seeded =
        Seeded { machines, devices, founding, history, day, day_from_ms: first, morning_ms, evening_ms, office_code: code, took_s };
    let path = work.seeded();
    fs::write(&path, serde_json::to_vec(&seeded).map_err(words)?).map_err(about(&path))?;
    say(&format!("{history} records of history in all, after {took_s:.1} s"));
    Ok(seeded)
}

/// A shop and its office while they are set up.
struct Beginning {
    shop: Book,
    office: Book,
    office_person: PersonId,
    now: ClockReading,
    /// Records written so far.
    written: u64,
}

impl Beginning {
    fn found(work: &Work, now: ClockReading) -> Result<Self, String> {
        let mut shop = open(&work.shop_book())?;
        let card = ShopCard::usual("Fleet", "UTC");
        let founding = Founding { shop: card, office_name: "Office".to_owned(), issuer: "http://127.0.0.1".to_owned() };
        let code = shop.found_shop(&founding, &now, &mut chance).map_err(words)?;
        let mut office = open(&work.office_book())?;
        let office_person = enrol(&mut shop, &mut office, &code, "office", &now)?;
        // The shop's card, the first person with a role, and that person's device.
        let mut beginning = Self { shop, office, office_person, now, written: 4 };
        beginning.level(|_, _| ())?;
        Ok(beginning)
    }

    /// A lead and an enrolled device for each of the workload's: leads see every document.
    fn crew(&mut self, work: &Work, devices: usize) -> Result<Vec<Book>, String> {
        let mut people = Vec::with_capacity(devices);
        for n in 0..devices {
            let mut hand = ActionContext { now: self.now, entropy: &mut chance, measured_by: None };
            people.push(self.office.author().add_person(&format!("p-{n:02}"), Role::Lead, &mut hand).map_err(words)?);
            self.written += 2;
        }
        self.level(|_, _| ())?;
        let mut crew = Vec::with_capacity(devices);
        for (n, person) in people.into_iter().enumerate() {
            let code = self.shop.issue_code(self.office_person, person, &self.now, &mut chance).map_err(refused)?.code;
            let mut book = open(&work.device_book(n))?;
            enrol(&mut self.shop, &mut book, &code, &format!("dev-{n:02}"), &self.now)?;
            self.written += 1;
            crew.push(book);
        }
        Ok(crew)
    }

    /// The machines in the workload's order, with the heads of each as the office founded it.
    fn machines(&mut self, count: usize) -> Result<(Vec<DocId>, Heads), String> {
        let card = EngineCard { cylinders: 4, ..crate::engine_card() };
        let engine = card.card;
        let mut hand = ActionContext { now: self.now, entropy: &mut chance, measured_by: None };
        self.office.author().keep_engine_card(card, &mut hand).map_err(words)?;
        self.written += 1;
        let mut properties = Vec::new();
        for n in 0..count.div_ceil(OF_A_PROPERTY) {
            let card = PropertyCard { name: format!("Yard {n:04}"), address: String::new(), access: String::new(), season: None };
            properties.push(self.office.author().add_property(card, &mut hand).map_err(words)?);
            self.written += 1;
        }
        let device = self.office.identity().map_err(words)?.device;
        let mut documents = Vec::with_capacity(count);
        let mut drafts = Vec::new();
        for n in 0..count {
            let card = MachineCard {
                tag: format!("M-{n:05}"),
                description: String::new(),
                property: *properties.get(n / OF_A_PROPERTY).ok_or("a property for each machine")?,
                engine_card: Some(engine),
                cylinders: Some(4),
                duty: Duty::Commercial,
                hours_per_week: None,
                provisional: false,
            };
            let doc = fresh_doc(&self.now, device, &mut chance);
            documents.push(doc);
            drafts.push(Draft::new(doc, card));
        }
        self.written += count as u64;
        while !drafts.is_empty() {
            let rest = drafts.split_off(drafts.len().min(IN_A_STEP));
            self.office.write(std::mem::replace(&mut drafts, rest), &self.now, &mut chance).map_err(words)?;
        }
        let mut heads = Heads::new();
        self.level(|doc, now| {
            heads.entry(doc).or_insert_with(|| now.to_vec());
        })?;
        Ok((documents, heads))
    }

    /// Round trips until the office and the shop are level. `offered` hears the office's heads of what it offers.
    fn level(&mut self, mut offered: impl FnMut(DocId, &[Bytes32])) -> Result<(), String> {
        let device = self.office.identity().map_err(words)?.device;
        for _ in 0..MOST_ROUNDS {
            let request = self.office.outgoing().offer(&self.now).map_err(words)?;
            for doc in request.docs.iter().filter(|doc| !doc.recipes.is_empty()) {
                offered(doc.id, &doc.heads);
            }
            let answer = self.shop.peer().answer(device, &request, &self.now, &mut chance).map_err(words)?;
            let report = self.office.peer().take_answer(&self.now, &answer, &self.now, &mut chance).map_err(words)?;
            if let Some(refused) = report.refused.first() {
                return Err(format!("the shop refused a record of the office: {}", refused.detail));
            }
            if !report.more {
                return Ok(());
            }
        }
        Err(format!("the office is not level after {MOST_ROUNDS} round trips"))
    }
}
