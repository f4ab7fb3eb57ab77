//! The steps, each as it happens.

use shared::ids::{DocId, PersonId, RecordId};
use shared::length::{Length, LengthUnit};
use shared::record::{Decision, FindingKind, Stage};
use shared::role::Role;
use shared::slot::Slot;
use sync_core::book::Book;
use sync_core::book::enrol::EnrolError;
use sync_core::commands::{ActionContext, ReadingEntry, Settings};
use sync_core::engine::BookError;

use super::steps::{Act, Cut, Step, Way};
use super::told::Seam;
use super::world::{Broken, OFFICE, SHOP, World};
use crate::crew::Dice;

const ROLES: [Role; 3] = [Role::Helper, Role::Tech, Role::Lead];
const VALVES: [&str; 3] = ["1I", "1E", "2I"];

/// One thing at the office's desk, which is opened where it is not.
fn at_desk(
    book: &mut Book,
    office: PersonId,
    machine: DocId,
    close: bool,
    hand: &mut ActionContext<'_>,
) -> Result<Vec<RecordId>, BookError> {
    let refused = |error: EnrolError| match error {
        EnrolError::Book(error) => error,
        EnrolError::Refused(_, why) => BookError::Denied(why),
    };
    if book.advisor().desk_of(office)?.is_none() {
        let code = book.issue_code(office, office, &hand.now, hand.entropy).map_err(refused)?.code;
        book.author().open_desk(&code, "a hash", &hand.now, hand.entropy).map_err(refused)?;
    }
    let day = book.roster()?.day(hand.now.wall_ms);
    let record = book.author().at_desk(office, &hand.now, hand.entropy, |author, hand| {
        if close { author.close_day(day, "the story goes on", hand) } else { author.add_note(machine, "from the desk", hand) }
    })?;
    Ok(vec![record])
}

impl World {
    /// Something that a person does on a device.
    pub(super) fn write(
        &mut self,
        phone: usize,
        cut: Cut,
        dice: &mut Dice,
        what: &str,
        step: impl FnOnce(&mut Book, &mut ActionContext<'_>) -> Result<Vec<RecordId>, BookError>,
    ) -> Result<(), Broken> {
        self.now_ms += 1_000;
        let now = self.nodes[phone].moment(self.now_ms);
        let name = self.nodes[phone].name.clone();
        if !self.ready(phone, cut, dice) {
            self.say(&format!("    {name} cannot open the book now."));
            return Ok(());
        }
        let Some(book) = self.nodes[phone].book.as_mut() else { return Ok(()) };
        let outcome = step(book, &mut ActionContext { now, entropy: dice, measured_by: None });
        match outcome {
            Ok(records) => {
                self.say(&format!("    {what}: kept."));
                for record in records {
                    self.nodes[phone].owes.insert(record);
                    self.kept.insert(record, format!("{what}, by {name}"));
                }
            }
            Err(error) => self.say(&format!("    {what}: {error}.")),
        }
        self.after(phone, dice)
    }

    /// The office changes a role and cannot be reached; two then read one valve differently, and only then is the office heard of.
    fn quarrel(&mut self, (one, other): (usize, usize), machine: usize, role: usize, dice: &mut Dice) -> Result<(), Broken> {
        let through = |phone| Act::Exchange { phone, up: Way::Through, down: Way::Through, shop_cut: None, phone_cut: None };
        // People whose role changes begin with the third node, and phones with the second.
        let (one, other) = (one % 4, other % 4);
        let read = |phone, go| Act::Read { phone: phone + 1, machine, valve: 1, go, cut: None };
        let acts = [Act::Role { phone: one, role }, read(one, 3), read(other, 6), through(one + 1), through(other + 1), through(0)];
        acts.iter().try_for_each(|act| self.act(act, dice))
    }

    pub(super) fn happen(&mut self, n: usize, step: &Step) -> Result<(), Broken> {
        let mut dice = Dice::new(step.dice);
        let line = format!("{:>3}. {:?}", n + 1, step.act);
        self.say(&line);
        self.act(&step.act, &mut dice)
    }

    fn act(&mut self, act: &Act, dice: &mut Dice) -> Result<(), Broken> {
        match *act {
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
                    book.author().take_reading(machine, entry, &set, LengthUnit::Thou, hand).map(|o| vec![o.record])
                });
            }
            Act::Hours { phone, machine, tenths, cut } => {
                let phone = self.phone(phone);
                let Some(machine) = self.machine(phone, machine) else { return Ok(()) };
                let what = format!("{} reads the hours as {}.{}", self.nodes[phone].name, tenths / 10, tenths % 10);
                let meter = shared::hours::Hours::from_tenths(tenths);
                return self
                    .write(phone, cut, dice, &what, |book, hand| book.author().read_hours(machine, meter, hand).map(|o| vec![o.record]));
            }
            Act::Note { phone, machine, cut } => {
                let phone = self.phone(phone);
                let Some(machine) = self.machine(phone, machine) else { return Ok(()) };
                let what = format!("{} leaves a note", self.nodes[phone].name);
                return self
                    .write(phone, cut, dice, &what, |book, hand| book.author().add_note(machine, "a note", hand).map(|id| vec![id]));
            }
            Act::AtDesk { machine, close, cut } => {
                let (Some(machine), office) = (self.machine(SHOP, machine), self.nodes[OFFICE].person) else { return Ok(()) };
                let what = if close { "The office closes the day at its desk" } else { "The office leaves a note at its desk" };
                return self.write(SHOP, cut, dice, what, |book, hand| at_desk(book, office, machine, close, hand));
            }
            Act::Void { phone, record, cut } => {
                let phone = self.phone(phone);
                let Some(target) = self.kept.keys().nth(record % self.kept.len().max(1)).copied() else { return Ok(()) };
                let what = format!("{} takes back \"{}\"", self.nodes[phone].name, self.kept[&target]);
                let mut void = None;
                self.write(phone, cut, dice, &what, |book, hand| {
                    void = Some(book.author().void(target, "slip", hand)?);
                    Ok(void.into_iter().collect())
                })?;
                for grant in self.grants.iter_mut().filter(|grant| grant.record == target) {
                    grant.voids.extend(void);
                }
            }
            Act::Rule { phone, machine, pick, cut } => {
                let phone = self.phone(phone);
                let Some(machine) = self.machine(phone, machine) else { return Ok(()) };
                let slot = Slot::Lash("1I".parse().expect("valve"), Stage::Found);
                let standing =
                    self.nodes[phone].book.as_ref().and_then(|book| book.store().projections().standing(machine, &slot).ok().flatten());
                let picked = standing.and_then(|s| pick.and_then(|n| s.contenders.get(n % s.contenders.len().max(1)).copied()));
                let decision = picked.map_or(Decision::Recheck, Decision::Stands);
                let what = format!("{} rules on 1I", self.nodes[phone].name);
                return self.write(phone, cut, dice, &what, |book, hand| {
                    book.author().rule(machine, &slot, decision, "", hand).map(|id| vec![id])
                });
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
                        property: book.finder().find_property("Test yard")?,
                        engine_card: None,
                        cylinders: Some(2),
                        duty: shared::engine_card::Duty::Commercial,
                        hours_per_week: None,
                        provisional: false,
                    };
                    let doc = book.author().add_machine(card, hand)?;
                    Ok(book.store().records().ledger_of(doc)?.entries().map(|e| e.record.id).collect())
                });
            }
            Act::Role { phone, role } => {
                let person = self.nodes[2 + phone % (self.nodes.len() - 2)].person;
                // The last is none.
                let role = ROLES.get(role % 4).copied();
                let what = format!("The office makes {person} {role:?}");
                self.write(OFFICE, None, dice, &what, |book, hand| book.author().set_role(person, role, hand).map(|id| vec![id]))?;
                self.told.seams.insert(Seam::Access);
                self.note_grant_to(person);
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
                self.told.seams.insert(Seam::Revocation);
                let what = format!("The office revokes the device of {}", self.nodes[phone].name);
                return self
                    .write(OFFICE, None, dice, &what, |book, hand| book.author().revoke_device(device, "lost", hand).map(|id| vec![id]));
            }
            Act::Yard { phone, given } => {
                let person = self.nodes[2 + phone % (self.nodes.len() - 2)].person;
                self.told.seams.insert(Seam::Access);
                let what = format!("The office {} {person} the yard", if given { "gives" } else { "takes from" });
                return self.write(OFFICE, None, dice, &what, |book, hand| {
                    let yard = book.finder().find_property("Test yard")?;
                    book.author().assign(person, yard, given, hand).map(|id| vec![id])
                });
            }
            Act::Window { minutes } => {
                let change = Settings { conflict_window_min: Some(minutes), ..Settings::default() };
                let what = format!("The office sets the conflict window to {minutes} min");
                return self.write(OFFICE, None, dice, &what, |book, hand| book.author().change_settings(change, hand).map(|_| vec![]));
            }
            Act::Join { role } => return self.join(ROLES[role % 3], dice),
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
            Act::Reboot { node } => return self.reboot(node % self.nodes.len(), dice),
            Act::LongLog { phone } => return self.long_log(self.phone(phone), dice),
            Act::PowerCut { node } => {
                let node = node % self.nodes.len();
                self.owe(node);
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
            Act::Find { phone, machine, cut } => {
                let phone = self.phone(phone);
                let Some(machine) = self.machine(phone, machine) else { return Ok(()) };
                let what = format!("{} puts a machine on hold", self.nodes[phone].name);
                let mut found = None;
                self.write(phone, cut, dice, &what, |book, hand| {
                    let id = book.author().add_finding(machine, FindingKind::Hold, "a cracked blade", hand)?;
                    found = Some(id);
                    Ok(vec![id])
                })?;
                self.findings.extend(found);
            }
            Act::Clear { phone, finding, cut } => {
                let phone = self.phone(phone);
                let Some(finding) = self.findings.get(finding % self.findings.len().max(1)).copied() else { return Ok(()) };
                let what = format!("{} clears a hold", self.nodes[phone].name);
                return self.write(phone, cut, dice, &what, |book, hand| {
                    book.author().clear_finding(finding, "new blade", hand).map(|id| vec![id])
                });
            }
            Act::Quarrel { one, other, machine, role } => return self.quarrel((one, other), machine, role, dice),
            Act::Attack { insider, ref attack } => return self.attack(insider, attack, dice),
            Act::Release { which, keep_out } => return self.release(which, keep_out, dice),
        }
        Ok(())
    }
}
