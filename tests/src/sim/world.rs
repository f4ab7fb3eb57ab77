//! Lets steps happen, and keeps the story in words.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::sync::OnceLock;

use shared::ids::{DeviceId, DocId, PropertyId, RecordId};
use shared::record::{Body, PropertyCard};
use shared::role::Role;
use sync_core::book::Book;

use super::insider::{Forged, INSIDERS, Pocketed};
use super::nodes::{Kept, Node};
use super::post::Letter;
use super::promises::{self, Grant};
use super::rest;
use super::steps::{Act, Cut, Step, deep};
use super::told::Told;
use crate::crew::{Crew, Dice};
use crate::disk::{Disk, Image};

/// A promise that does not hold.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Broken {
    /// Which promise, in a word that stays the same while a story is shortened.
    pub promise: &'static str,
    /// What was seen.
    pub seen: String,
}

/// The shop and everything around it.
pub(super) struct World {
    pub(super) nodes: Vec<Node>,
    pub(super) now_ms: i64,
    pub(super) kept: Kept,
    pub(super) told: Told,
    pub(super) mail: Vec<Letter>,
    pub(super) seed: u64,
    pub(super) joined: usize,
    /// The devices of insiders.
    pub(super) insiders: BTreeSet<DeviceId>,
    pub(super) forged: Vec<Forged>,
    pub(super) pocket: Vec<Pocketed>,
    /// Roles granted and taken away by the office, in the order of true time.
    pub(super) grants: Vec<Grant>,
    /// Findings that somebody noted.
    pub(super) findings: Vec<RecordId>,
    /// A property that nobody was given.
    pub(super) closed_yard: PropertyId,
    /// Every disk is whole and every network works.
    pub(super) resting: bool,
}

impl Drop for World {
    /// Thousands of stories, each with its disks, would fill the memory.
    fn drop(&mut self) {
        for node in &mut self.nodes {
            node.close();
            node.disk.take_away();
        }
    }
}

/// The shop is node 0, the office's device node 1.
pub(super) const SHOP: usize = 0;
/// The office's device.
pub(super) const OFFICE: usize = 1;

/// Tells the story of some steps from the same beginning, and judges its end.
///
/// # Errors
/// [`Broken`] where a promise does not hold.
pub fn tell(seed: u64, steps: &[Step]) -> Result<Told, (Broken, String)> {
    let mut world = World::begin(seed);
    let acting = steps.iter().filter_map(|step| if let Act::Attack { insider, .. } = step.act { Some(insider) } else { None });
    world.insiders = acting.map(|insider| world.nodes[INSIDERS[insider % INSIDERS.len()]].device).collect();
    world.told.insiders = world.insiders.len();
    let outcome = steps
        .iter()
        .enumerate()
        .try_for_each(|(n, step)| world.happen(n, step))
        .and_then(|()| rest::come_to_rest(&mut world, seed))
        .and_then(|()| rest::judge(&mut world))
        .and_then(|()| promises::weigh(&mut world))
        .and_then(|()| promises::goes_on(&mut world, seed));
    world.told.kept = world.kept.len();
    for node in &world.nodes {
        world.told.operations.add_all(&node.disk.operations());
    }
    match outcome {
        Ok(()) => Ok(std::mem::take(&mut world.told)),
        Err(broken) => Err((broken, std::mem::take(&mut world.told.story))),
    }
}

/// A founded shop with an office, a lead, two techs and a helper, two machines, all level: made once, copied for each story.
fn beginning() -> &'static Beginning {
    static BEGINNING: OnceLock<Beginning> = OnceLock::new();
    BEGINNING.get_or_init(|| {
        let disk = |name: &str| Disk::new(&format!("begin-{name}"), &Image::default());
        let shop_disk = disk("shop");
        let mut crew = Crew::over(1, shop_disk.open().expect("store"));
        let mut disks = vec![("the shop".to_owned(), shop_disk)];
        // The office's first device is in memory and stays behind; its second, on a disk of its own, is in the story.
        let person = crew.phones[0].person;
        let mut on_disk = |crew: &mut Crew, name: &str, person| {
            let disk = disk(name);
            crew.phone_on(person, disk.open().expect("store"));
            disks.push((name.to_owned(), disk));
        };
        on_disk(&mut crew, "the office", person);
        for (name, role) in [
            ("the lead", Role::Lead),
            ("a tech", Role::Tech),
            ("the other tech", Role::Tech),
            ("the helper", Role::Helper),
            ("the bookkeeper", Role::Office),
        ] {
            let person = crew.person(name, role);
            on_disk(&mut crew, name, person);
        }
        crew.machine("M-1");
        crew.machine("M-2");
        for phone in 2..crew.phones.len() {
            crew.give_yard(phone);
        }
        let closed_yard = crew.on(0, |book, hand| {
            let card = PropertyCard { name: "Closed yard".into(), address: String::new(), access: "Alarm code 0000".into(), season: None };
            let yard = book.author().add_property(card, hand).expect("property");
            let card = shared::record::MachineCard {
                tag: "M-3".into(),
                description: String::new(),
                property: yard,
                engine_card: None,
                cylinders: Some(2),
                duty: shared::engine_card::Duty::Commercial,
                hours_per_week: None,
                provisional: false,
            };
            book.author().add_machine(card, hand).expect("machine");
            yard
        });
        crew.level_all();
        let now_ms = crew.now_ms;
        let roster = crew.shop.roster().expect("a roster").root.shop.roster();
        let grants = crew.shop.store().records().ledger_of(roster).expect("a ledger");
        let grants = grants.entries().filter_map(|entry| match &entry.record.body {
            Body::Role(grant) => Some(Grant { record: entry.record.id, person: grant.person, role: grant.role, at_ms: 0, voids: vec![] }),
            _ => None,
        });
        let grants = grants.collect();
        let mut books: Vec<Book> = vec![crew.shop];
        books.extend(crew.phones.into_iter().skip(1).map(|phone| phone.book));
        let nodes = books
            .into_iter()
            .zip(disks)
            .map(|(book, (name, disk))| {
                let identity = book.identity().expect("enrolled");
                let who = Node0 { person: identity.person, device: identity.device };
                drop(book);
                (name, disk.image(), who)
            })
            .collect();
        Beginning { nodes, now_ms, grants, closed_yard }
    })
}

/// How every story begins.
struct Beginning {
    /// Each node's name, disk and owner.
    nodes: Vec<(String, Image, Node0)>,
    now_ms: i64,
    grants: Vec<Grant>,
    closed_yard: PropertyId,
}

struct Node0 {
    person: shared::ids::PersonId,
    device: shared::ids::DeviceId,
}

impl World {
    pub(super) fn begin(seed: u64) -> Self {
        let Beginning { nodes, now_ms, grants, closed_yard } = beginning();
        let nodes = nodes
            .iter()
            .map(|(name, image, who)| Node {
                name: name.clone(),
                disk: Disk::new(&format!("{:?}-{seed}-{name}", std::thread::current().id()), image),
                book: None,
                person: who.person,
                device: who.device,
                clock_off_ms: 0,
                boot: 1,
                backups: vec![],
                revoked: false,
                owes: BTreeSet::new(),
            })
            .collect();
        Self {
            nodes,
            now_ms: *now_ms,
            kept: Kept::new(),
            told: Told::default(),
            mail: vec![],
            seed,
            joined: 0,
            insiders: BTreeSet::new(),
            forged: vec![],
            pocket: vec![],
            grants: grants.clone(),
            findings: vec![],
            closed_yard: *closed_yard,
            resting: false,
        }
    }

    pub(super) fn say(&mut self, line: &str) {
        // Writing to a string does not fail.
        let _ = writeln!(self.told.story, "{line}");
    }

    /// One of the devices, by any number.
    pub(super) fn phone(&self, n: usize) -> usize {
        1 + n % (self.nodes.len() - 1)
    }

    /// A machine of the shop, by any number.
    pub(super) fn machine(&mut self, phone: usize, n: usize) -> Option<DocId> {
        let mut dice = Dice::new(self.seed ^ (phone as u64) << 32 ^ self.now_ms.unsigned_abs());
        let machines = self.nodes[phone].book(&mut dice)?.store().machine_rows().machines().ok()?;
        machines.get(n % machines.len().max(1)).map(|row| row.doc)
    }

    /// Wakes a node where it can be; its power may go in the middle of what follows.
    pub(super) fn ready(&mut self, node: usize, cut: Cut, dice: &mut Dice) -> bool {
        if self.nodes[node].book(dice).is_none() {
            return false;
        }
        if let Some(n) = cut {
            self.owe(node);
            // Near its beginning, or at any operation of it.
            let n = if dice.throw() >> 16 & 1 == 0 { n } else { n + deep(dice) };
            self.nodes[node].disk.cut_power_in(n);
        }
        true
    }

    /// After a step in which the power may have gone: brings the node back.
    pub(super) fn after(&mut self, node: usize, dice: &mut Dice) -> Result<(), Broken> {
        let disk = &self.nodes[node].disk;
        if !disk.is_off() {
            disk.keep_power();
            return Ok(());
        }
        self.revive(node, dice)
    }

    /// Opens a node's book again. A disk that lied may have lost what was reported kept: then, and only then, it is
    /// forgiven where no other disk holds it.
    pub(super) fn revive(&mut self, node: usize, dice: &mut Dice) -> Result<(), Broken> {
        let name = self.nodes[node].name.clone();
        let was_off = self.nodes[node].disk.is_off();
        if let Some(hit) = self.nodes[node].disk.hit() {
            self.told.cuts.add(hit, 1);
        }
        match self.nodes[node].wake(dice) {
            Ok(lost) => {
                if was_off {
                    self.say(&format!("    The power of {name} went and came back{}.", if lost { "; its disk had lied" } else { "" }));
                }
                if lost {
                    self.forgive();
                }
                if was_off { self.is_whole(node, lost) } else { Ok(()) }
            }
            Err(error) => {
                Err(Broken { promise: "opens again", seen: format!("the book of {name} does not open after a power cut: {error}") })
            }
        }
    }

    /// Notes what a node holds of what was reported kept: a power cut must leave it.
    pub(super) fn owe(&mut self, node: usize) {
        let held = self.kept.keys().copied().filter(|record| self.nodes[node].holds(*record)).collect();
        self.nodes[node].owes = held;
    }

    /// After a power cut: the book is whole, and has what it held before, unless the disk had lied.
    fn is_whole(&mut self, node: usize, lied: bool) -> Result<(), Broken> {
        let owed = std::mem::take(&mut self.nodes[node].owes);
        let node = &self.nodes[node];
        let Some(book) = &node.book else { return Ok(()) };
        let faults = book.verify().map_err(|e| Broken { promise: "reads", seen: e.to_string() })?.faults;
        if !faults.is_empty() {
            return Err(Broken { promise: "verifies after a power cut", seen: format!("{}: {faults:?}", node.name) });
        }
        match owed.iter().find(|record| !lied && !node.holds(**record)) {
            Some(gone) => {
                Err(Broken { promise: "keeps what it kept over a power cut", seen: format!("{gone} is gone from {}", node.name) })
            }
            None => Ok(()),
        }
    }

    /// Records that no disk holds any more, once one has lost them, cannot be owed.
    pub(super) fn forgive(&mut self) {
        let mut dice = Dice::new(self.seed ^ self.now_ms.unsigned_abs());
        for node in &mut self.nodes {
            if node.book(&mut dice).is_none() {
                // What a disk holds that cannot be opened just now is not lost: it is made whole to be looked at.
                node.disk.read_only(false);
                node.disk.leave_room(None);
                node.book(&mut dice);
            }
        }
        let (nodes, before) = (&self.nodes, self.kept.len());
        self.kept.retain(|record, _| nodes.iter().any(|node| node.book.is_none() || node.holds(*record)));
        self.told.gone_with_a_disk += before - self.kept.len();
    }
}
