//! What stands in a clearance slot, the slow and obvious way: written from the design's words alone, over plain lists,
//! with its own reading of times, seen, voids and rulings.

use std::collections::BTreeSet;

use shared::ids::RecordId;
use shared::record::{Arrival, Body, Decision, Stage};
use shared::role::Role;
use shared::slot::Slot;
use sync_core::ledger::Entry;
use sync_core::roster::Roster;

/// Offsets under two minutes count as none.
const IGNORED_MS: i64 = 120_000;

struct Slow<'a> {
    entries: &'a [Entry],
    roster: &'a Roster,
}

/// The record that stands in a slot of clearances, or none.
///
/// Every reading is taken for plausible; callers keep to leaves under 1.5 mm and valves that the engine has.
#[must_use]
pub fn stands(slot: &Slot, entries: &[Entry], roster: &Roster) -> Option<RecordId> {
    let slow = Slow { entries, roster };
    let in_slot = |wanted: &Slot| -> Vec<&Entry> { entries.iter().filter(|e| Slot::of(&e.record).as_ref() == Some(wanted)).collect() };
    let readings: Vec<&Entry> = in_slot(slot).into_iter().filter(|e| !slow.voided(e)).collect();
    let tips = slow.tips(&readings);
    let latest = tips.iter().map(|tip| slow.time(tip.record.id)).max()?;
    let window = i64::from(roster.settings.conflict_window_min) * 60_000;
    let in_window: Vec<&Entry> = tips.into_iter().filter(|tip| slow.time(tip.record.id) >= latest - window).collect();
    let contenders: Vec<&Entry> =
        in_window.iter().copied().filter(|tip| !in_window.iter().any(|later| slow.was_set_between(tip, later))).collect();
    let rulings: Vec<&Entry> = in_slot(&Slot::ruling(slot)).into_iter().filter(|e| !slow.voided(e) && slow.may_rule(e)).collect();
    let deciding = slow.tips(&rulings).into_iter().filter_map(|e| match &e.record.body {
        Body::Ruling(ruling) => {
            let names_all = contenders.iter().all(|c| ruling.of.contains(&c.record.id));
            let picks_one = match ruling.decision {
                Decision::Stands(picked) => contenders.iter().any(|c| c.record.id == picked),
                Decision::Recheck => true,
            };
            (names_all && picks_one).then_some((slow.rank(e), slow.time(e.record.id), e.record.id, ruling.decision))
        }
        _ => None,
    });
    let deciding: Vec<(u8, i64, RecordId, Decision)> = deciding.collect();
    // Rulings older than the latest by more than the window are history, as readings are.
    let latest_ruling = deciding.iter().map(|(_, time, ..)| *time).max();
    let deciding = deciding.into_iter().filter(|(_, time, ..)| latest_ruling.is_some_and(|latest| *time >= latest - window));
    match deciding.max_by_key(|(rank, time, id, _)| (*rank, *time, *id)) {
        Some((.., Decision::Stands(picked))) => Some(picked),
        Some((.., Decision::Recheck)) => None,
        None => contenders.iter().max_by_key(|c| (slow.rank(c), slow.time(c.record.id), c.record.id)).map(|c| c.record.id),
    }
}

/// A receipt is for the record with this id and these bytes.
fn names(arrival: &Arrival, entry: &Entry) -> bool {
    arrival.records.iter().any(|named| (named.record, named.sha256) == (entry.record.id, entry.sha256))
}

impl Slow<'_> {
    fn find(&self, id: RecordId) -> Option<&Entry> {
        self.entries.iter().find(|e| e.record.id == id)
    }

    fn role(&self, entry: &Entry) -> Option<Role> {
        self.roster.role_at(entry.record.by, self.time(entry.record.id))
    }

    fn rank(&self, entry: &Entry) -> u8 {
        self.role(entry).map_or(0, Role::rank)
    }

    /// The earliest receipt of a record.
    fn receipt(&self, id: RecordId) -> Option<&Arrival> {
        self.entries
            .iter()
            .filter_map(|e| match &e.record.body {
                Body::Arrival(arrival) if self.find(id).is_some_and(|entry| names(arrival, entry)) => Some(arrival),
                _ => None,
            })
            .min_by_key(|arrival| (arrival.at, arrival.records.clone()))
    }

    /// Its own word on its time: own evidence, else the skew measured as its own device brought it, else the wall clock.
    fn own_time(&self, entry: &Entry) -> i64 {
        let record = &entry.record;
        let receipt = self.receipt(record.id);
        let measured = receipt.filter(|arrival| arrival.brought_by == entry.device).map(|arrival| arrival.skew_ms);
        let known = record.clock.offset_ms.filter(|_| !record.clock.stepped);
        let offset = known.or(measured).unwrap_or(0);
        let corrected = record.at_ms + if offset.abs() < IGNORED_MS { 0 } else { offset };
        receipt.map_or(corrected, |arrival| corrected.min(arrival.at))
    }

    /// Never earlier than anything seen, in its slot.
    fn time(&self, id: RecordId) -> i64 {
        let Some(entry) = self.find(id) else { return 0 };
        let slot = Slot::of(&entry.record);
        let mut latest = self.own_time(entry);
        let (mut open, mut done) = (vec![entry], BTreeSet::new());
        while let Some(at) = open.pop() {
            for seen in &at.record.seen {
                if let Some(next) = self.find(*seen)
                    && Slot::of(&next.record) == slot
                    && done.insert(*seen)
                {
                    latest = latest.max(self.own_time(next));
                    open.push(next);
                }
            }
        }
        latest
    }

    /// How far off its time may be: what its device said, else what was measured, else two minutes; an offset that is ignored adds
    /// to it, and where its device's word and the shop's measure contradict each other they may be as far off as they are apart.
    fn uncertainty(&self, entry: &Entry) -> i64 {
        let clock = &entry.record.clock;
        let said = clock.offset_ms.filter(|_| !clock.stepped).map(|offset| (offset, clock.uncertainty_ms.unwrap_or(IGNORED_MS)));
        let receipt = self.receipt(entry.record.id);
        let own = receipt.filter(|arrival| arrival.brought_by == entry.device).map(|arrival| (arrival.skew_ms, arrival.uncertainty_ms));
        let carried = receipt.filter(|arrival| arrival.brought_by != entry.device).map(|_| (0, IGNORED_MS));
        let (offset, mut off_by) = said.or(own).or(carried).unwrap_or((0, IGNORED_MS));
        if let (Some((said, said_off)), Some((measured, measured_off))) = (said, own) {
            let apart = (said - measured).abs();
            if apart > IGNORED_MS.max(said_off + measured_off) {
                off_by = off_by.max(apart + measured_off);
            }
        }
        if offset.abs() < IGNORED_MS { off_by + offset.abs() } else { off_by }
    }

    /// The valve of two readings was set between them: the first's visit left it, then the second's visit began with it, and the
    /// adjuster was turned in the first's visit after the first, or in the second's up to the second.
    fn was_set_between(&self, first: &Entry, second: &Entry) -> bool {
        let reading = |e: &Entry| match &e.record.body {
            Body::Clearance(body) => Some((body.valve, body.stage, body.adjusted, body.visit)),
            _ => None,
        };
        let (Some((valve, _, _, Some(visit))), Some((.., other_visit))) = (reading(first), reading(second)) else { return false };
        if other_visit == Some(visit) {
            return false;
        }
        let of_visit = |of: Option<RecordId>, entry: &Entry| -> Vec<&Entry> {
            let same = |e: &&Entry| {
                let belongs = reading(e).is_some_and(|(v, _, _, visit)| v == valve && visit.is_some() && visit == of);
                e.record.id == entry.record.id || (belongs && e.record.measurer() == entry.record.measurer())
            };
            self.entries.iter().filter(|e| !self.voided(e)).filter(same).collect()
        };
        let at = |e: &Entry| self.time(e.record.id);
        let stage = |e: &Entry| reading(e).map(|(_, stage, ..)| stage);
        let up_to = |a: &Entry, b: &Entry| stage(a) <= stage(b) && at(a) <= at(b);
        let (firsts, seconds) = (of_visit(Some(visit), first), of_visit(other_visit, second));
        let Some(begun) = seconds.iter().min_by_key(|e| (at(e), e.record.id)) else { return false };
        let turned = |e: &Entry| reading(e).is_some_and(|(_, _, adjusted, _)| adjusted);
        firsts.iter().filter(|left| stage(left) == Some(Stage::Left) && up_to(first, left)).any(|left| {
            let known = at(begun) - at(left) > self.uncertainty(left) + self.uncertainty(begun);
            let in_first = firsts.iter().any(|e| e.record.id != first.record.id && turned(e) && up_to(first, e) && up_to(e, left));
            let in_second = seconds.iter().any(|e| turned(e) && up_to(e, second));
            known && (in_first || in_second)
        })
    }

    fn reaches(&self, from: &Entry, to: RecordId) -> bool {
        let (mut open, mut done) = (vec![from], BTreeSet::new());
        let slot = Slot::of(&from.record);
        while let Some(at) = open.pop() {
            for seen in &at.record.seen {
                if let Some(next) = self.find(*seen)
                    && Slot::of(&next.record) == slot
                    && done.insert(*seen)
                {
                    open.push(next);
                }
            }
        }
        done.contains(&to)
    }

    /// Those that no other of these has seen.
    fn tips<'e>(&self, live: &[&'e Entry]) -> Vec<&'e Entry> {
        live.iter()
            .copied()
            .filter(|tip| !live.iter().any(|other| other.record.id != tip.record.id && self.reaches(other, tip.record.id)))
            .collect()
    }

    /// The roles that a record which decides is judged by: when it was written, and when it arrived, or now.
    fn roles(&self, entry: &Entry) -> [Option<Role>; 2] {
        let arrived = self.receipt(entry.record.id).map_or(i64::MAX, |arrival| arrival.at);
        [self.role(entry), self.roster.role_at(entry.record.by, arrived)]
    }

    fn voided(&self, target: &Entry) -> bool {
        let may = |own: bool, role: Option<Role>| match role {
            Some(Role::Office) => true,
            Some(Role::Lead) => own || self.role(target).is_none_or(|role| role.rank() < Role::Lead.rank()),
            Some(_) => own,
            None => false,
        };
        self.entries.iter().any(|e| {
            let own = e.record.by == target.record.by;
            matches!(&e.record.body, Body::Void(void) if void.target == target.record.id)
                && self.roles(e).into_iter().all(|role| may(own, role))
        })
    }

    /// The office; a lead, but not on a slot with a reading of their own among those named.
    fn may_rule(&self, entry: &Entry) -> bool {
        let Body::Ruling(ruling) = &entry.record.body else { return false };
        let by = entry.record.by;
        let own = ruling.of.iter().filter_map(|id| self.find(*id)).any(|e| e.record.by == by || e.record.measurer() == by);
        self.roles(entry).into_iter().all(|role| match role {
            Some(Role::Office) => true,
            Some(Role::Lead) => !own,
            _ => false,
        })
    }
}
