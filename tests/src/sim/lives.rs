//! What befalls books themselves: new devices, older copies put back, copies that live on, and what the office lets in.

use std::collections::BTreeSet;

use shared::record::Body;
use shared::role::Role;
use sync_core::book::Book;
use sync_core::commands::ActionContext;
use sync_core::crypto::envelope;
use sync_core::engine::BookError;
use sync_core::store::{EPOCH, MetaKey, QuarantineState};

use super::nodes::Node;
use super::promises::Grant;
use super::steps::deep;
use super::told::Seam;
use super::world::{Broken, OFFICE, SHOP, World};
use crate::crew::Dice;
use crate::disk::{Disk, Image, Part, Phase};

/// Rows of 60,000 bytes or more: more than fill the log of small steps.
const MOST_SWELLING: usize = 90;

impl World {
    /// A person joins with a device of their own, over a network that works.
    pub(super) fn join(&mut self, role: Role, dice: &mut Dice) -> Result<(), Broken> {
        if self.nodes.len() > 9 {
            return Ok(());
        }
        // The office exchanges meanwhile, with all that its device carries.
        let before = self.truth();
        self.enrol(role, dice);
        before.map_or(Ok(()), |before| self.watch_hands(&before))
    }

    /// The same, however many there are.
    pub(super) fn enrol(&mut self, role: Role, dice: &mut Dice) {
        self.joined += 1;
        let name = format!("newcomer {}", self.joined);
        let now = self.nodes[OFFICE].moment(self.now_ms);
        let disk = Disk::new(&format!("{:?}-{}-{name}", std::thread::current().id(), self.seed), &Image::default());
        let outcome = (|| -> Result<Node, String> {
            let office = self.nodes[OFFICE].book(dice).ok_or("the office cannot open its book")?;
            let words = |e: BookError| e.to_string();
            let person =
                office.author().add_person(&name, role, &mut ActionContext { now, entropy: dice, measured_by: None }).map_err(words)?;
            let office_person = office.identity().map_err(words)?.person;
            let request = office.outgoing().offer(&now).map_err(words)?;
            let device = office.identity().map_err(words)?.device;
            let shop_now = self.nodes[SHOP].moment(self.now_ms);
            let shop = self.nodes[SHOP].book(dice).ok_or("the shop cannot open its book")?;
            shop.peer().answer(device, &request, &shop_now, dice).map_err(words)?;
            let code = shop.issue_code(office_person, person, &shop_now, dice).map_err(|e| format!("{e:?}"))?;
            let mut book = disk.during(Phase::Opening, || Book::over(disk.open()?, dice)).map_err(words)?;
            let request = book.enrol_request(&code.code, "phone", &shop_now, dice).map_err(words)?;
            let answer = shop.admit_device(&request, &shop_now, dice).map_err(|e| format!("{e:?}"))?;
            book.enrolled(&answer, "http://127.0.0.1").map_err(words)?;
            let device = book.identity().map_err(words)?.device;
            let (clock_off_ms, boot) = (0, 1);
            let (book, backups, owes) = (Some(book), vec![], BTreeSet::new());
            Ok(Node { name: name.clone(), disk, book, person, device, clock_off_ms, boot, backups, revoked: false, owes })
        })();
        match outcome {
            Ok(node) => {
                let person = node.person;
                self.nodes.push(node);
                self.note_grant_to(person);
            }
            Err(why) => self.say(&format!("    {name} could not join: {why}.")),
        }
    }

    /// Notes the newest grant of somebody's role on the office's own device.
    pub(super) fn note_grant_to(&mut self, person: shared::ids::PersonId) {
        let Some(Ok(root)) = self.nodes[OFFICE].book.as_ref().map(|book| book.roster().map(|roster| roster.root)) else { return };
        let Some(Ok(ledger)) = self.nodes[OFFICE].book.as_ref().map(|book| book.store().records().ledger_of(root.shop.roster())) else {
            return;
        };
        let known = |id| self.grants.iter().any(|grant| grant.record == id);
        let granted = ledger.entries().filter_map(|entry| match &entry.record.body {
            Body::Role(grant) if grant.person == person && !known(entry.record.id) => {
                Some(Grant { record: entry.record.id, person, role: grant.role, at_ms: self.now_ms, voids: vec![] })
            }
            _ => None,
        });
        let granted: Vec<Grant> = granted.collect();
        self.grants.extend(granted);
    }

    /// An older copy of a node's file takes its place: by hand, or for the shop by the command that begins a new epoch.
    pub(super) fn restore(&mut self, node: usize, command: bool, dice: &mut Dice) {
        let Some(image) = self.nodes[node].backups.last().cloned() else { return };
        self.nodes[node].close();
        self.told.seams.insert(Seam::Restore);
        self.nodes[node].disk.put_back(&image);
        if self.nodes[node].wake(dice).is_err() {
            self.say("    The copy does not open.");
        }
        if command
            && node == SHOP
            && let Some(book) = &self.nodes[SHOP].book
        {
            let fresh = shared::bytes::Bytes16(sync_core::sys::rng::random(dice));
            book.store().set_meta(&EPOCH, &fresh).expect("kept");
        }
        self.forgive();
    }

    /// A program ends and its book is opened again later; the power may go while it closes or opens, or shortly before it opens.
    pub(super) fn reboot(&mut self, node: usize, dice: &mut Dice) -> Result<(), Broken> {
        if self.nodes[node].disk.is_off() {
            return Ok(());
        }
        self.nodes[node].boot = self.nodes[node].boot.wrapping_add(1);
        let (how, n) = (dice.throw() >> 16 & 3, deep(dice));
        if how < 3 {
            self.owe(node);
        }
        match how {
            0 => {
                self.nodes[node].disk.cut_power_in(n);
                self.nodes[node].close();
            }
            1 => {
                self.nodes[node].close();
                self.nodes[node].disk.cut_power_in(n);
                // Where it does not open, it is opened again with the next step.
                let _ = self.nodes[node].open(dice);
            }
            2 => {
                self.nodes[node].disk.cut_power();
                self.revive(node, dice)?;
                self.owe(node);
                self.nodes[node].disk.cut_power();
                self.nodes[node].close();
                self.nodes[node].disk.power_on(dice);
                self.nodes[node].disk.cut_power_in(n);
                let _ = self.nodes[node].open(dice);
            }
            _ => self.nodes[node].close(),
        }
        self.after(node, dice)
    }

    /// The log of a device's book grows until it is copied into the file; the power may go at one of the operations on the file.
    pub(super) fn long_log(&mut self, phone: usize, dice: &mut Dice) -> Result<(), Broken> {
        let Some(machine) = self.machine(phone, 0) else { return Ok(()) };
        // A small step, after which the log is copied early.
        self.write(phone, None, dice, "A note before the log grows long", |book, hand| {
            book.author().add_note(machine, "a note", hand).map(|id| vec![id])
        })?;
        self.owe(phone);
        let disk = self.nodes[phone].disk.clone();
        let copied = || disk.operations().of(Phase::Checkpoint, Part::Main);
        let before = copied();
        disk.cut_power_on(Part::Main, u32::try_from((dice.throw() >> 16) % 100).unwrap_or(0));
        if let Some(book) = &self.nodes[phone].book {
            for n in 0..MOST_SWELLING {
                // A row of no meaning: what is written makes the log long.
                if copied() > before || book.store().set_meta(&MetaKey::new("swollen"), &n.to_string().repeat(60_000)).is_err() {
                    break;
                }
            }
            // It is written again all the same, and it may fail where the power is off.
            let _ = book.store().set_meta(&MetaKey::new("swollen"), &String::new());
        }
        self.after(phone, dice)
    }

    /// A copy of a device's file starts a life of its own on a second phone.
    pub(super) fn clone_phone(&mut self, phone: usize, dice: &mut Dice) {
        let original = &self.nodes[phone];
        if self.nodes.len() > 9 || original.disk.is_off() {
            return;
        }
        let name = format!("a copy of {}", original.name);
        self.joined += 1;
        let disk = Disk::new(&format!("{:?}-{}-{}-{name}", std::thread::current().id(), self.seed, self.joined), &original.disk.image());
        let (person, device, revoked) = (original.person, original.device, original.revoked);
        let (backups, owes) = (vec![], BTreeSet::new());
        let mut node = Node { name, disk, book: None, person, device, clock_off_ms: 0, boot: 9, backups, revoked, owes };
        if node.wake(dice).is_ok() {
            self.nodes.push(node);
        }
    }

    /// The office lets something in from the shop's quarantine, or keeps it out.
    pub(super) fn release(&mut self, which: usize, keep_out: bool, dice: &mut Dice) -> Result<(), Broken> {
        let (now, office) = (self.nodes[SHOP].moment(self.now_ms), self.nodes[OFFICE].person);
        self.nodes[SHOP].book(dice);
        let before = self.truth();
        let own_device = self.nodes[OFFICE].device;
        let Some(shop) = self.nodes[SHOP].book(dice) else { return Ok(()) };
        // The office that lets its own revocation in is the end of the story's office.
        let ends_the_office = |bytes: &[u8]| {
            let read = envelope::decode_unverified(bytes).ok();
            read.is_some_and(|opened| matches!(&opened.record.body, Body::DeviceRevoked(revoked) if revoked.device == own_device))
        };
        let waiting: Vec<i64> = shop
            .store()
            .quarantine()
            .quarantined()
            .map_err(|e| Broken { promise: "reads quarantine", seen: e.to_string() })?
            .iter()
            .filter(|q| q.state == QuarantineState::Waiting && (keep_out || !ends_the_office(&q.bytes)))
            .map(|q| q.id)
            .collect();
        let Some(id) = waiting.get(which % waiting.len().max(1)).copied() else { return Ok(()) };
        let outcome = if keep_out {
            shop.store().quarantine().settle_quarantined(id, QuarantineState::KeptOut).map_err(BookError::from)
        } else {
            shop.peer().release(id, office, &now, dice)
        };
        if let Err(error) = outcome {
            self.say(&format!("    {error}."));
        }
        if let Some(before) = before {
            self.watch_hands(&before)?;
        }
        self.after(SHOP, dice)
    }
}
