//! Many devices at one shop at once: what a whole crew does at five o'clock, and more of it. A real server process on
//! loopback, a book per device, real HTTP; how long they waited, what failed, and that nothing was lost.

mod caller;
mod device;
mod figures;
mod insider;
mod serving;

use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Barrier;
use std::sync::atomic::{AtomicBool, Ordering};

use server::{Clock, SystemClock};
use shared::engine_card::Duty;
use shared::ids::{DocId, PersonId};
use shared::record::{Assignment, MachineCard, Person, PropertyCard, RoleGrant};
use shared::role::Role;
use shared::wire::{CodeIssued, CodeRequest};
use sync_core::book::{Book, Draft};
use sync_core::commands::ActionContext;
use sync_core::sys::rng::fresh_person;

use caller::{Caller, Told};
use device::{Device, chance};
use insider::Insider;
use serving::Serving;

pub use figures::{Beside, Figures, Phase};
pub use insider::Worst;
pub use serving::{SERVE_IN, serve_until_told};

/// People whom the office puts on the roster with one change.
const PEOPLE_IN_A_CHANGE: usize = 50;

/// How much of everything.
#[derive(Debug, Clone, Copy)]
pub struct Plan {
    /// Devices besides the office's.
    pub devices: usize,
    /// Records that each writes offline.
    pub records: usize,
    /// Devices that share a yard, and so its machines.
    pub devices_per_yard: usize,
    /// Machines in each yard.
    pub machines_per_yard: usize,
    /// After so many seconds no request is begun any more, and the load fails.
    pub within_s: u32,
    /// One more device, of a person with a yard, does its worst all the while, and began so many seconds before the others.
    pub insider: Option<u16>,
}

impl Plan {
    /// Everybody with a device besides the office; the last is the insider.
    const fn people(&self) -> usize {
        self.devices + self.insider.is_some() as usize
    }
}

/// Runs a load over a new shop in an empty folder. `program` is the load program itself, which serves when told to.
///
/// # Errors
/// A sentence where a device could not go on: the figures would mean nothing.
pub fn run(plan: &Plan, program: &Path, folder: &Path) -> Result<Figures, String> {
    let clock = SystemClock::new().map_err(|e| e.to_string())?;
    let serving = Serving::start(program, folder)?;
    let until_ms = clock.now().steady_ms + i64::from(plan.within_s) * 1000;
    let caller = || Caller { address: serving.address, clock: &clock, until_ms, told: Told::default() };
    let mut office = Device::new(caller())?;
    office.enrol(&serving.code, "office")?;
    office.level()?;
    let yards = stock(&mut office, plan)?;
    let mut crew = hire(&mut office, plan, &yards)?;
    office.level()?;
    let token = office.token()?;
    let mut devices = Vec::new();
    let turncoat = if plan.insider.is_some() { crew.pop() } else { None };
    for (person, yard) in crew {
        // One after another: more than ten codes on their way at once count as guesses, and the server has all wait.
        let issued: CodeIssued = office.caller.post_json("/v1/codes", Some(&token), &CodeRequest { person })?;
        let mut device = Device::new(caller())?;
        device.enrol(&issued.code, "phone")?;
        devices.push((device, yard));
    }
    let insider = turncoat.map(|(person, yard)| {
        let issued: CodeIssued = office.caller.post_json("/v1/codes", Some(&token), &CodeRequest { person })?;
        let mut device = Device::new(caller())?;
        device.enrol(&issued.code, "phone")?;
        device.level()?;
        let closed =
            yards.iter().find(|other| other.property != yard.property).ok_or("an insider needs a second yard that is closed to it")?;
        let machine = |yard: &Yard| yard.machines.first().copied().ok_or("a yard has a machine");
        Insider::of(device, machine(yard)?, machine(closed)?)
    });
    let insider = insider.transpose()?;
    let (phases, worst) = beside(insider.as_ref().zip(plan.insider), || {
        Ok(vec![
            at_once("log in and first fill", &clock, &mut devices, |(device, _)| device.level())?,
            at_once("writing offline", &clock, &mut devices, |(device, yard)| device.write(plan.records, &yard.machines))?,
            at_once("all exchange at once", &clock, &mut devices, |(device, _)| device.level())?,
            at_once("again, for what others brought", &clock, &mut devices, |(device, _)| device.level())?,
        ])
    })?;
    let server_peak_kib = serving.peak_kib();
    serving.stop()?;
    let shop = Book::open(&folder.join("shop.db"), &mut chance).map_err(|e| e.to_string())?;
    let mut figures = Figures { phases, server_peak_kib, worst, ..Figures::default() };
    figures.shop_bytes = std::fs::metadata(folder.join("shop.db")).map_err(|e| e.to_string())?.len();
    figures.faults = shop.verify().map_err(|e| e.to_string())?.faults;
    prove(&shop, &devices, &mut figures)?;
    Ok(figures)
}

/// Does the load while an insider, where there is one, does its worst.
fn beside(
    insider: Option<(&Insider<'_>, u16)>,
    load: impl FnOnce() -> Result<Vec<Phase>, String>,
) -> Result<(Vec<Phase>, Option<Worst>), String> {
    let stop = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let stop = &stop;
        let raging = insider.map(|(insider, before_s)| {
            let thread = scope.spawn(move || insider.rage(stop));
            std::thread::sleep(std::time::Duration::from_secs(before_s.into()));
            thread
        });
        let phases = load();
        stop.store(true, Ordering::Relaxed);
        let worst = raging.map(|thread| thread.join().unwrap_or_else(|_| Err("the insider broke".to_owned()))).transpose();
        Ok((phases?, worst?))
    })
}

/// A yard and its machines.
struct Yard {
    property: shared::ids::PropertyId,
    machines: Vec<DocId>,
}

fn stock(office: &mut Device<'_>, plan: &Plan) -> Result<Vec<Yard>, String> {
    let words = |e: sync_core::engine::BookError| e.to_string();
    let now = office.caller.clock.now();
    let mut hand = ActionContext { now, entropy: &mut chance, measured_by: None };
    office.book.author().keep_engine_card(crate::engine_card(), &mut hand).map_err(words)?;
    (0..plan.people().div_ceil(plan.devices_per_yard.max(1)))
        .map(|y| {
            let card = PropertyCard { name: format!("Yard {y}"), address: String::new(), access: String::new(), season: None };
            let property = office.book.author().add_property(card, &mut hand).map_err(words)?;
            let machines = (0..plan.machines_per_yard).map(|m| {
                let card = MachineCard {
                    tag: format!("L-{y}-{m}"),
                    description: String::new(),
                    property,
                    engine_card: Some(crate::engine_card().card),
                    cylinders: None,
                    duty: Duty::Commercial,
                    hours_per_week: None,
                    provisional: false,
                };
                office.book.author().add_machine(card, &mut hand).map_err(words)
            });
            Ok(Yard { property, machines: machines.collect::<Result<_, _>>()? })
        })
        .collect()
}

/// A person for each device, with a role and a yard. Many to a change: a roster is derived anew with every change.
fn hire<'y>(office: &mut Device<'_>, plan: &Plan, yards: &'y [Yard]) -> Result<Vec<(PersonId, &'y Yard)>, String> {
    let now = office.caller.clock.now();
    let roster = office.book.identity().map_err(|e| e.to_string())?.root.shop.roster();
    let mut crew = Vec::new();
    for n in 0..plan.people() {
        let yard = yards.get(n / plan.devices_per_yard.max(1)).ok_or("a yard for each device")?;
        crew.push((fresh_person(&now, &mut chance), yard));
    }
    for (part, people) in crew.chunks(PEOPLE_IN_A_CHANGE).enumerate() {
        let mut drafts = Vec::new();
        for (n, (person, yard)) in people.iter().enumerate() {
            let name = format!("Person {}", part * PEOPLE_IN_A_CHANGE + n);
            drafts.push(Draft::new(roster, Person { person: *person, name }));
            drafts.push(Draft::new(roster, RoleGrant { person: *person, role: Some(Role::Tech) }));
            drafts.push(Draft::new(roster, Assignment { person: *person, property: yard.property, active: true }));
        }
        office.book.write(drafts, &now, &mut chance).map_err(|e| e.to_string())?;
    }
    Ok(crew)
}

/// Every device does a step in a thread of its own, and all begin together.
fn at_once<T: Send>(
    name: &'static str,
    clock: &SystemClock,
    devices: &mut [(Device<'_>, T)],
    step: impl Fn(&mut (Device<'_>, T)) -> Result<(), String> + Sync,
) -> Result<Phase, String> {
    let (start, step) = (Barrier::new(devices.len() + 1), &step);
    let (began, outcomes) = std::thread::scope(|scope| {
        let start = &start;
        let threads: Vec<_> = devices
            .iter_mut()
            .map(|device| {
                scope.spawn(move || {
                    start.wait();
                    step(device)
                })
            })
            .collect();
        start.wait();
        let began = clock.now().steady_ms;
        let broke = |_| Err("a device's thread broke".to_owned());
        (began, threads.into_iter().map(|t| t.join().unwrap_or_else(broke)).collect::<Vec<_>>())
    });
    let wall_ms = clock.now().steady_ms - began;
    let mut told = Told::default();
    for (device, _) in devices {
        told.add(std::mem::take(&mut device.caller.told));
    }
    let broken: Vec<String> = outcomes.into_iter().filter_map(Result::err).collect();
    match broken.first() {
        Some(first) => Err(format!("{name}: {} devices could not go on; the first: {first}", broken.len())),
        None => Ok(Phase::new(name, wall_ms, told)),
    }
}

/// Counts what was written, what is at the shop, what is receipted, and what came to whoever shares the yard.
fn prove(shop: &Book, devices: &[(Device<'_>, &Yard)], figures: &mut Figures) -> Result<(), String> {
    let held = |book: &Book, id| book.store().records().held(id).map_err(|e| e.to_string());
    let mut all = BTreeSet::new();
    for (device, _) in devices {
        for id in &device.written {
            all.insert(*id);
            figures.at_shop += usize::from(held(shop, *id)?.is_some());
            figures.receipted += usize::from(held(&device.book, *id)?.is_some_and(|h| h.received_ms.is_some()));
        }
    }
    figures.written = all.len();
    for (device, yard) in devices {
        let others = devices.iter().filter(|(_, other)| other.property == yard.property);
        for id in others.flat_map(|(other, _)| &other.written) {
            figures.missing_at_devices += usize::from(held(&device.book, *id)?.is_none());
        }
    }
    Ok(())
}
