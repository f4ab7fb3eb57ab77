//! Lets steps happen, and keeps the story in words.

use std::fmt::Write as _;
use std::sync::OnceLock;

use shared::ids::{DocId, RecordId};
use shared::length::{Length, LengthUnit};
use shared::record::{Decision, Stage};
use shared::role::Role;
use shared::slot::Slot;
use shared::wire::{ExchangeAnswer, ExchangeRequest};
use sync_core::book::{Book, BookError};
use sync_core::bundle::Load;
use sync_core::exchange::{read_body, write_body};
use sync_core::store::QuarantineState;
use sync_core::work::{Hand, ReadingEntry, Settings};

use super::nodes::{Kept, Node};
use super::post::{Letter, arriving};
use super::rest;
use super::steps::{Act, Cut, Step, Way};
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

/// A story told to its end.
#[derive(Debug, Clone, Default)]
pub struct Told {
    /// In words, one line a step.
    pub story: String,
    /// Records reported kept.
    pub kept: usize,
    /// Records that were on one disk alone when that disk lost them.
    pub gone_with_a_disk: usize,
    /// Records in the shop's quarantine at the end.
    pub quarantined: usize,
    /// Exchanges that went through, and power cuts in the middle of a step.
    pub exchanges: usize,
    /// Power cuts in the middle of a step.
    pub cuts: usize,
    /// Times that the shop began a new epoch.
    pub epochs: usize,
}

/// The shop and everything around it.
pub(super) struct World {
    pub(super) nodes: Vec<Node>,
    pub(super) now_ms: i64,
    pub(super) kept: Kept,
    pub(super) told: Told,
    pub(super) mail: Vec<Letter>,
    seed: u64,
    joined: usize,
}

/// The shop is node 0, the office's device node 1.
pub(super) const SHOP: usize = 0;
/// The office's device.
pub(super) const OFFICE: usize = 1;
const ROLES: [Role; 4] = [Role::Helper, Role::Tech, Role::Lead, Role::Office];
const VALVES: [&str; 3] = ["1I", "1E", "2I"];

/// Tells the story of some steps from the same beginning, and judges its end.
///
/// # Errors
/// [`Broken`] where a promise does not hold.
pub fn tell(seed: u64, steps: &[Step]) -> Result<Told, (Broken, String)> {
    let mut world = World::begin(seed);
    let outcome = steps
        .iter()
        .enumerate()
        .try_for_each(|(n, step)| world.happen(n, step))
        .and_then(|()| rest::come_to_rest(&mut world, seed))
        .and_then(|()| rest::judge(&mut world));
    world.told.kept = world.kept.len();
    match outcome {
        Ok(()) => Ok(world.told),
        Err(broken) => Err((broken, world.told.story)),
    }
}

/// A founded shop with an office, a lead, two techs and a helper, two machines, all level: made once, copied for each story.
fn beginning() -> &'static (Vec<(String, Image, Node0)>, i64) {
    static BEGINNING: OnceLock<(Vec<(String, Image, Node0)>, i64)> = OnceLock::new();
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
        for (name, role) in [("the lead", Role::Lead), ("a tech", Role::Tech), ("the other tech", Role::Tech), ("the helper", Role::Helper)]
        {
            let person = crew.person(name, role);
            on_disk(&mut crew, name, person);
        }
        crew.machine("M-1");
        crew.machine("M-2");
        for phone in 2..crew.phones.len() {
            crew.give_yard(phone);
        }
        crew.level_all();
        let now_ms = crew.now_ms;
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
        (nodes, now_ms)
    })
}

struct Node0 {
    person: shared::ids::PersonId,
    device: shared::ids::DeviceId,
}

impl World {
    fn begin(seed: u64) -> Self {
        let (nodes, now_ms) = beginning();
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
            })
            .collect();
        Self { nodes, now_ms: *now_ms, kept: Kept::new(), told: Told::default(), mail: vec![], seed, joined: 0 }
    }

    pub(super) fn say(&mut self, line: &str) {
        // Writing to a string does not fail.
        let _ = writeln!(self.told.story, "{line}");
    }

    /// One of the devices, by any number.
    fn phone(&self, n: usize) -> usize {
        1 + n % (self.nodes.len() - 1)
    }

    /// A machine of the shop, by any number.
    fn machine(&mut self, phone: usize, n: usize) -> Option<DocId> {
        let mut dice = Dice::new(self.seed ^ (phone as u64) << 32 ^ self.now_ms.unsigned_abs());
        let machines = self.nodes[phone].book(&mut dice)?.store().machines().ok()?;
        machines.get(n % machines.len().max(1)).map(|row| row.doc)
    }

    /// Wakes a node where it can be; its power may go in the middle of what follows.
    fn ready(&mut self, node: usize, cut: Cut, dice: &mut Dice) -> bool {
        if self.nodes[node].book(dice).is_none() {
            return false;
        }
        if let Some(n) = cut {
            self.nodes[node].disk.cut_power_in(n);
        }
        true
    }

    /// After a step in which the power may have gone: brings the node back.
    fn after(&mut self, node: usize, dice: &mut Dice) -> Result<(), Broken> {
        let disk = &self.nodes[node].disk;
        if !disk.is_off() {
            disk.keep_power();
            return Ok(());
        }
        self.told.cuts += 1;
        self.revive(node, dice)
    }

    /// Opens a node's book again. A disk that lied may have lost what was reported kept: then, and only then, it is
    /// forgiven where no other disk holds it.
    pub(super) fn revive(&mut self, node: usize, dice: &mut Dice) -> Result<(), Broken> {
        let name = self.nodes[node].name.clone();
        let was_off = self.nodes[node].disk.is_off();
        match self.nodes[node].wake(dice) {
            Ok(lost) => {
                if was_off {
                    self.say(&format!("    The power of {name} went and came back{}.", if lost { "; its disk had lied" } else { "" }));
                }
                if lost {
                    self.forgive();
                }
                Ok(())
            }
            Err(error) => {
                Err(Broken { promise: "opens again", seen: format!("the book of {name} does not open after a power cut: {error}") })
            }
        }
    }

    /// Records that no disk holds any more, once one has lost them, cannot be owed.
    fn forgive(&mut self) {
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

    /// Something that a person does on a device.
    fn write(
        &mut self,
        phone: usize,
        cut: Cut,
        dice: &mut Dice,
        what: &str,
        step: impl FnOnce(&mut Book, &mut Hand<'_>) -> Result<Vec<RecordId>, BookError>,
    ) -> Result<(), Broken> {
        self.now_ms += 1_000;
        let now = self.nodes[phone].moment(self.now_ms);
        let name = self.nodes[phone].name.clone();
        if !self.ready(phone, cut, dice) {
            self.say(&format!("    {name} cannot open the book now."));
            return Ok(());
        }
        let Some(book) = self.nodes[phone].book.as_mut() else { return Ok(()) };
        let outcome = step(book, &mut Hand { now, entropy: dice, measured_by: None });
        match outcome {
            Ok(records) => {
                self.say(&format!("    {what}: kept."));
                for record in records {
                    self.kept.insert(record, format!("{what}, by {name}"));
                }
            }
            Err(error) => self.say(&format!("    {what}: {error}.")),
        }
        self.after(phone, dice)
    }

    fn happen(&mut self, n: usize, step: &Step) -> Result<(), Broken> {
        let mut dice = Dice::new(step.dice);
        let line = format!("{:>3}. {:?}", n + 1, step.act);
        self.say(&line);
        let dice = &mut dice;
        match step.act {
            Act::Wait { minutes } => self.now_ms += i64::from(minutes) * 60_000,
            Act::Read { phone, machine, valve, go, cut } => {
                let phone = self.phone(phone);
                let Some(machine) = self.machine(phone, machine) else { return Ok(()) };
                let entry = ReadingEntry {
                    valve: VALVES[valve % 3].parse().expect("valve"),
                    stage: Stage::Found,
                    go: Some(Length::from_thou(go)),
                    no_go: Some(Length::from_thou(go + 1)),
                    leaves: vec![],
                    adjusted: false,
                    cold: Some(true),
                };
                let what = format!("{} reads {} as {go}/{} thou", self.nodes[phone].name, entry.valve, go + 1);
                let set = shared::leaf::LeafSet::inch();
                return self.write(phone, cut, dice, &what, |book, hand| {
                    book.take_reading(machine, entry, &set, LengthUnit::Thou, hand).map(|o| vec![o.record])
                });
            }
            Act::Hours { phone, machine, tenths, cut } => {
                let phone = self.phone(phone);
                let Some(machine) = self.machine(phone, machine) else { return Ok(()) };
                let what = format!("{} reads the hours as {}.{}", self.nodes[phone].name, tenths / 10, tenths % 10);
                let meter = shared::hours::Hours::from_tenths(tenths);
                return self.write(phone, cut, dice, &what, |book, hand| book.read_hours(machine, meter, hand).map(|o| vec![o.record]));
            }
            Act::Note { phone, machine, cut } => {
                let phone = self.phone(phone);
                let Some(machine) = self.machine(phone, machine) else { return Ok(()) };
                let what = format!("{} leaves a note", self.nodes[phone].name);
                return self.write(phone, cut, dice, &what, |book, hand| book.add_note(machine, "a note", hand).map(|id| vec![id]));
            }
            Act::Void { phone, record, cut } => {
                let phone = self.phone(phone);
                let Some(target) = self.kept.keys().nth(record % self.kept.len().max(1)).copied() else { return Ok(()) };
                let what = format!("{} takes back \"{}\"", self.nodes[phone].name, self.kept[&target]);
                return self.write(phone, cut, dice, &what, |book, hand| book.void(target, "slip", hand).map(|id| vec![id]));
            }
            Act::Rule { phone, machine, pick, cut } => {
                let phone = self.phone(phone);
                let Some(machine) = self.machine(phone, machine) else { return Ok(()) };
                let slot = Slot::lash("1I".parse().expect("valve"), Stage::Found);
                let standing = self.nodes[phone].book.as_ref().and_then(|book| book.store().standing(machine, &slot).ok().flatten());
                let picked = standing.and_then(|s| pick.and_then(|n| s.contenders.get(n % s.contenders.len().max(1)).copied()));
                let decision = picked.map_or(Decision::Recheck, Decision::Stands);
                let what = format!("{} rules on 1I", self.nodes[phone].name);
                return self.write(phone, cut, dice, &what, |book, hand| book.rule(machine, &slot, decision, "", hand).map(|id| vec![id]));
            }
            Act::NewMachine { phone, cut } => {
                let phone = self.phone(phone);
                self.joined += 1;
                let tag = format!("N-{}", self.joined);
                let what = format!("{} enters the machine {tag}", self.nodes[phone].name);
                return self.write(phone, cut, dice, &what, |book, hand| {
                    let card = shared::record::MachineCard {
                        tag,
                        description: String::new(),
                        property: book.find_property("Test yard")?,
                        engine_card: None,
                        cylinders: Some(2),
                        duty: shared::engine_card::Duty::Commercial,
                        provisional: false,
                    };
                    let doc = book.add_machine(card, hand)?;
                    Ok(book.store().ledger_of(doc)?.entries().map(|e| e.record.id).collect())
                });
            }
            Act::Role { phone, role } => {
                let person = self.nodes[2 + phone % (self.nodes.len() - 2)].person;
                let role = ROLES.get(role % 3).copied();
                let what = format!("The office makes {person} {role:?}");
                return self.write(OFFICE, None, dice, &what, |book, hand| book.set_role(person, role, hand).map(|id| vec![id]));
            }
            Act::Revoke { phone } => {
                let phone = 2 + phone % (self.nodes.len() - 2);
                if self.nodes.iter().filter(|node| !node.revoked).count() < 5 {
                    return Ok(());
                }
                let device = self.nodes[phone].device;
                for node in &mut self.nodes {
                    node.revoked |= node.device == device;
                }
                let what = format!("The office revokes the device of {}", self.nodes[phone].name);
                return self.write(OFFICE, None, dice, &what, |book, hand| book.revoke_device(device, "lost", hand).map(|id| vec![id]));
            }
            Act::Yard { phone, given } => {
                let person = self.nodes[2 + phone % (self.nodes.len() - 2)].person;
                let what = format!("The office {} {person} the yard", if given { "gives" } else { "takes from" });
                return self.write(OFFICE, None, dice, &what, |book, hand| {
                    let yard = book.find_property("Test yard")?;
                    book.assign(person, yard, given, hand).map(|id| vec![id])
                });
            }
            Act::Window { minutes } => {
                let change = Settings { conflict_window_min: Some(minutes), ..Settings::default() };
                let what = format!("The office sets the conflict window to {minutes} min");
                return self.write(OFFICE, None, dice, &what, |book, hand| book.change_settings(change, hand).map(|_| vec![]));
            }
            Act::Join { role } => self.join(ROLES[role % 3], dice),
            Act::Exchange { phone, up, down, shop_cut, phone_cut } => {
                let phone = self.phone(phone);
                return self.exchange(phone, (up, shop_cut), (down, phone_cut), dice);
            }
            Act::LateMail { which } => return self.late_mail(which, dice),
            Act::Bundle { from, to, way, cut } => return self.bundle(self.phone(from), self.phone(to), way, cut, dice),
            Act::Clock { phone, off_min } => {
                let phone = self.phone(phone);
                self.nodes[phone].clock_off_ms = i64::from(off_min) * 60_000;
            }
            Act::Reboot { node } => {
                let node = node % self.nodes.len();
                if !self.nodes[node].disk.is_off() {
                    self.nodes[node].boot = self.nodes[node].boot.wrapping_add(1);
                    self.nodes[node].book = None;
                }
            }
            Act::PowerCut { node } => {
                let node = node % self.nodes.len();
                self.nodes[node].disk.cut_power();
                return self.revive(node, dice);
            }
            Act::Lie { node } => self.nodes[node % self.nodes.len()].disk.lie(true),
            Act::Full { node, room } => self.nodes[node % self.nodes.len()].disk.leave_room(Some(room)),
            Act::ReadOnly { node } => self.nodes[node % self.nodes.len()].disk.read_only(true),
            Act::Heal { node } => {
                let disk = &self.nodes[node % self.nodes.len()].disk;
                disk.lie(false);
                disk.leave_room(None);
                disk.read_only(false);
            }
            Act::Backup { node } => {
                let node = node % self.nodes.len();
                let image = self.nodes[node].disk.image();
                self.nodes[node].backups.push(image);
            }
            Act::Restore { node, command } => self.restore(node % self.nodes.len(), command, dice),
            Act::Clone { phone } => self.clone_phone(self.phone(phone), dice),
            Act::Release { which, keep_out } => return self.release(which, keep_out, dice),
        }
        Ok(())
    }

    /// A person joins with a device of their own, over a network that works.
    fn join(&mut self, role: Role, dice: &mut Dice) {
        if self.nodes.len() > 8 {
            return;
        }
        self.joined += 1;
        let name = format!("newcomer {}", self.joined);
        let now = self.nodes[OFFICE].moment(self.now_ms);
        let disk = Disk::new(&format!("{:?}-{}-{name}", std::thread::current().id(), self.seed), &Image::default());
        let outcome = (|| -> Result<Node, String> {
            let office = self.nodes[OFFICE].book(dice).ok_or("the office cannot open its book")?;
            let words = |e: BookError| e.to_string();
            let person = office.add_person(&name, role, &mut Hand { now, entropy: dice, measured_by: None }).map_err(words)?;
            let office_person = office.identity().map_err(words)?.person;
            let request = office.offer(&now).map_err(words)?;
            let device = office.identity().map_err(words)?.device;
            let shop_now = self.nodes[SHOP].moment(self.now_ms);
            let shop = self.nodes[SHOP].book(dice).ok_or("the shop cannot open its book")?;
            shop.answer(device, &request, &shop_now, dice).map_err(words)?;
            let code = shop.issue_code(office_person, person, &shop_now, dice).map_err(|e| format!("{e:?}"))?;
            let mut book = Book::over(disk.open().map_err(|e| e.to_string())?, dice).map_err(words)?;
            let request = book.enrol_request(&code.code, "phone", &shop_now, dice).map_err(words)?;
            let answer = shop.admit_device(&request, &shop_now, dice).map_err(|e| format!("{e:?}"))?;
            book.enrolled(&answer, "http://127.0.0.1").map_err(words)?;
            let device = book.identity().map_err(words)?.device;
            let (clock_off_ms, boot) = (0, 1);
            Ok(Node { name: name.clone(), disk, book: Some(book), person, device, clock_off_ms, boot, backups: vec![], revoked: false })
        })();
        match outcome {
            Ok(node) => self.nodes.push(node),
            Err(why) => self.say(&format!("    {name} could not join: {why}.")),
        }
    }

    fn exchange(&mut self, phone: usize, (up, shop_cut): (Way, Cut), (down, phone_cut): (Way, Cut), dice: &mut Dice) -> Result<(), Broken> {
        self.now_ms += 200;
        let sent_at = self.nodes[phone].moment(self.now_ms);
        let Some(book) = self.nodes[phone].book(dice) else { return Ok(()) };
        let request = match book.offer(&sent_at) {
            Ok(request) => request,
            Err(error) => {
                self.say(&format!("    No request: {error}."));
                return Ok(());
            }
        };
        let body = write_body(&request, true).map_err(|e| Broken { promise: "writes a request", seen: e.to_string() })?;
        self.say(&format!("    The request {up}."));
        if up == Way::Late {
            self.mail.push(Letter::Up { phone, body: body.clone() });
        }
        for body in arriving(up, &body) {
            if let Some(answer) = self.at_the_shop(phone, &body, shop_cut, dice)? {
                self.say(&format!("    The answer {down}."));
                if down == Way::Late {
                    self.mail.push(Letter::Down { phone, body: answer.clone(), sent_at });
                }
                for answer in arriving(down, &answer) {
                    self.at_the_phone(phone, &answer, sent_at, phone_cut, dice)?;
                }
            }
        }
        Ok(())
    }

    /// A request reaches the shop; the answer's body, where there is one.
    pub(super) fn at_the_shop(&mut self, phone: usize, body: &[u8], cut: Cut, dice: &mut Dice) -> Result<Option<Vec<u8>>, Broken> {
        self.now_ms += 100;
        let Ok(request) = read_body::<ExchangeRequest>(body, true) else { return Ok(None) };
        let device = self.nodes[phone].device;
        if !self.ready(SHOP, cut, dice) {
            return Ok(None);
        }
        let now = self.nodes[SHOP].moment(self.now_ms);
        let Some(shop) = self.nodes[SHOP].book.as_mut() else { return Ok(None) };
        // As the server's door does: no token for a device that the roster does not know, or that is revoked.
        let known = shop.roster().ok().and_then(|roster| roster.devices.get(&device).map(|d| d.revoked_ms.is_none()));
        if known != Some(true) {
            self.nodes[SHOP].disk.keep_power();
            self.say("    The shop turns the device away.");
            return Ok(None);
        }
        let answered = shop.answer(device, &request, &now, dice);
        let body = match answered {
            Ok(answer) => {
                if request.epoch.is_some_and(|epoch| epoch != answer.epoch) {
                    self.told.epochs += 1;
                }
                Some(write_body(&answer, true).map_err(|e| Broken { promise: "writes an answer", seen: e.to_string() })?)
            }
            Err(error) => {
                self.say(&format!("    The shop: {error}."));
                None
            }
        };
        self.after(SHOP, dice)?;
        Ok(body)
    }

    /// An answer reaches the device.
    pub(super) fn at_the_phone(
        &mut self,
        phone: usize,
        body: &[u8],
        sent_at: sync_core::moment::Moment,
        cut: Cut,
        dice: &mut Dice,
    ) -> Result<Option<bool>, Broken> {
        self.now_ms += 100;
        let Ok(answer) = read_body::<ExchangeAnswer>(body, true) else { return Ok(None) };
        if !self.ready(phone, cut, dice) {
            return Ok(None);
        }
        let now = self.nodes[phone].moment(self.now_ms);
        let Some(book) = self.nodes[phone].book.as_mut() else { return Ok(None) };
        let more = match book.take_answer(&sent_at, &answer, &now, dice) {
            Ok(report) => {
                for line in &report.refused {
                    self.say(&format!("    Not taken: {:?} {}", line.code, line.detail));
                }
                self.told.exchanges += 1;
                Some(report.more)
            }
            Err(error) => {
                self.say(&format!("    Not taken in: {error}."));
                None
            }
        };
        self.after(phone, dice)?;
        Ok(more)
    }

    fn late_mail(&mut self, which: usize, dice: &mut Dice) -> Result<(), Broken> {
        if self.mail.is_empty() {
            return Ok(());
        }
        match self.mail.remove(which % self.mail.len()) {
            Letter::Up { phone, body } => {
                // Nobody waits for the answer any more.
                self.at_the_shop(phone, &body, None, dice)?;
            }
            Letter::Down { phone, body, sent_at } => {
                self.at_the_phone(phone, &body, sent_at, None, dice)?;
            }
        }
        Ok(())
    }

    pub(super) fn bundle(&mut self, from: usize, to: usize, way: Way, cut: Cut, dice: &mut Dice) -> Result<(), Broken> {
        if from == to {
            return Ok(());
        }
        let made_at = self.nodes[from].moment(self.now_ms);
        let Some(Ok(made)) = self.nodes[from].book(dice).map(|book| book.make_bundle(&Load::Unsent, &made_at)) else { return Ok(()) };
        let line = format!("    A bundle from {} to {} {way}.", self.nodes[from].name, self.nodes[to].name);
        self.say(&line);
        for bytes in arriving(way, &made.bytes) {
            if !self.ready(to, cut, dice) {
                return Ok(());
            }
            let now = self.nodes[to].moment(self.now_ms);
            let Some(book) = self.nodes[to].book.as_mut() else { return Ok(()) };
            match book.take_bundle(&bytes, &now) {
                Ok(taken) => self.say(&format!("    {} taken, {} saved, {} refused.", taken.taken, taken.saved, taken.refused.len())),
                Err(error) => self.say(&format!("    {error}.")),
            }
            self.after(to, dice)?;
        }
        Ok(())
    }

    /// An older copy of a node's file takes its place: by hand, or for the shop by the command that begins a new epoch.
    fn restore(&mut self, node: usize, command: bool, dice: &mut Dice) {
        let Some(image) = self.nodes[node].backups.last().cloned() else { return };
        self.nodes[node].book = None;
        self.nodes[node].disk.put_back(&image);
        if self.nodes[node].wake(dice).is_err() {
            self.say("    The copy does not open.");
        }
        if command
            && node == SHOP
            && let Some(book) = &self.nodes[SHOP].book
        {
            let fresh = shared::bytes::Bytes16(sync_core::moment::random(dice));
            book.store().set_meta("epoch", &fresh).expect("kept");
        }
        self.forgive();
    }

    /// A copy of a device's file starts a life of its own on a second phone.
    fn clone_phone(&mut self, phone: usize, dice: &mut Dice) {
        let original = &self.nodes[phone];
        if self.nodes.len() > 8 || original.disk.is_off() {
            return;
        }
        let name = format!("a copy of {}", original.name);
        self.joined += 1;
        let disk = Disk::new(&format!("{:?}-{}-{}-{name}", std::thread::current().id(), self.seed, self.joined), &original.disk.image());
        let (person, device, revoked) = (original.person, original.device, original.revoked);
        let mut node = Node { name, disk, book: None, person, device, clock_off_ms: 0, boot: 9, backups: vec![], revoked };
        if node.wake(dice).is_ok() {
            self.nodes.push(node);
        }
    }

    /// The office lets something in from the shop's quarantine, or keeps it out.
    fn release(&mut self, which: usize, keep_out: bool, dice: &mut Dice) -> Result<(), Broken> {
        let (now, office) = (self.nodes[SHOP].moment(self.now_ms), self.nodes[OFFICE].person);
        let Some(shop) = self.nodes[SHOP].book(dice) else { return Ok(()) };
        let waiting: Vec<i64> = shop
            .store()
            .quarantined()
            .map_err(|e| Broken { promise: "reads quarantine", seen: e.to_string() })?
            .iter()
            .filter(|q| q.state == QuarantineState::Waiting)
            .map(|q| q.id)
            .collect();
        let Some(id) = waiting.get(which % waiting.len().max(1)).copied() else { return Ok(()) };
        let outcome = if keep_out {
            shop.store().settle_quarantined(id, QuarantineState::KeptOut).map_err(BookError::from)
        } else {
            shop.release(id, office, &now, dice)
        };
        if let Err(error) = outcome {
            self.say(&format!("    {error}."));
        }
        self.after(SHOP, dice)
    }
}
