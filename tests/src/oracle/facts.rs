//! What is asked of one record or of two: corrected times, receipts, rights, what was undone, what has seen what.

use std::collections::{BTreeMap, BTreeSet};

use shared::ids::RecordId;
use shared::record::{Arrival, Body, Clearance};
use shared::role::Role;
use shared::slot::Slot;
use sync_core::judge::ledger::Entry;
use sync_core::judge::roster::Roster;

use super::THICKEST_TENTH_UM;

/// Offsets under two minutes count as none.
const IGNORED_MS: i64 = 120_000;

/// A document's records, and what was found out about each.
#[derive(Debug)]
pub(super) struct Facts<'a> {
    pub(super) entries: &'a [Entry],
    pub(super) roster: &'a Roster,
    times: BTreeMap<RecordId, i64>,
    undone: BTreeSet<RecordId>,
}

/// A receipt is for the record with this id and these bytes.
fn names(arrival: &Arrival, entry: &Entry) -> bool {
    arrival.records.iter().any(|named| (named.record, named.sha256) == (entry.record.id, entry.sha256))
}

/// Whether the leaves of a reading are none over 1.5 mm.
pub(super) fn leaves_can_be(reading: &Clearance) -> bool {
    [reading.go, reading.no_go].into_iter().flatten().all(|leaf| leaf.tenth_um() <= THICKEST_TENTH_UM)
}

/// What the office alone writes.
fn is_of_office(kind: &str) -> bool {
    ["shop", "person", "role", "device-revoked", "assignment", "day-closed"].contains(&kind)
}

/// What decides about people, devices, cards or other people's records: it needs its author's right when written and on arrival.
fn decides(kind: &str) -> bool {
    let more = ["device", "engine-card", "property", "machine", "void", "ruling", "sign-off", "finding-cleared"];
    is_of_office(kind) || more.contains(&kind)
}

impl<'a> Facts<'a> {
    pub(super) fn over(entries: &'a [Entry], roster: &'a Roster) -> Self {
        let mut facts = Self { entries, roster, times: BTreeMap::new(), undone: BTreeSet::new() };
        facts.times = entries.iter().map(|e| (e.record.id, facts.corrected(e))).collect();
        facts.undone = entries.iter().filter(|e| facts.is_undone(e)).map(|e| e.record.id).collect();
        facts
    }

    pub(super) fn find(&self, id: RecordId) -> Option<&'a Entry> {
        self.entries.iter().find(|e| e.record.id == id)
    }

    /// The records of a slot that nobody with the right has undone.
    pub(super) fn live(&self, slot: &Slot) -> Vec<&'a Entry> {
        self.entries.iter().filter(|e| Slot::of(&e.record).as_ref() == Some(slot) && !self.undone.contains(&e.record.id)).collect()
    }

    pub(super) fn is_live(&self, entry: &Entry) -> bool {
        !self.undone.contains(&entry.record.id)
    }

    /// Corrected time.
    pub(super) fn at(&self, entry: &Entry) -> i64 {
        self.times.get(&entry.record.id).copied().unwrap_or(0)
    }

    pub(super) fn role(&self, entry: &Entry) -> Option<Role> {
        self.roster.role_at(entry.record.by, self.at(entry))
    }

    pub(super) fn rank(&self, entry: &Entry) -> u8 {
        self.role(entry).map_or(0, Role::rank)
    }

    /// The earliest receipt of a record.
    fn receipt(&self, entry: &Entry) -> Option<&'a Arrival> {
        self.entries
            .iter()
            .filter_map(|e| match &e.record.body {
                Body::Arrival(arrival) if names(arrival, entry) => Some(arrival),
                _ => None,
            })
            .min_by_key(|arrival| (arrival.at, arrival.records.clone()))
    }

    /// Its own word on its time, and how far off that may be.
    fn own_time(&self, entry: &Entry) -> (i64, i64) {
        let (clock, receipt) = (&entry.record.clock, self.receipt(entry));
        let said = clock.offset_ms.filter(|_| !clock.stepped).map(|offset| (offset, clock.uncertainty_ms.unwrap_or(IGNORED_MS)));
        let measured =
            receipt.filter(|arrival| arrival.brought_by == entry.device).map(|arrival| (arrival.skew_ms, arrival.uncertainty_ms));
        // An offset that is ignored adds to how far off it may be.
        let ignoring = |(offset, off): (i64, i64)| if offset.abs() < IGNORED_MS { (0, off + offset.abs()) } else { (offset, off) };
        let Some((told, told_off)) = said else {
            let (skew, off) = ignoring(measured.unwrap_or((0, IGNORED_MS)));
            return self.by_what_is_around(entry, entry.record.at_ms + skew, off);
        };
        // Where its word and the shop's measure contradict each other they may be as far off as they are apart.
        let apart = measured.map(|(skew, off)| ((told - skew).abs(), off)).filter(|(apart, off)| *apart > IGNORED_MS.max(told_off + off));
        let (offset, off) = ignoring((told, apart.map_or(told_off, |(apart, off)| told_off.max(apart + off))));
        let corrected = entry.record.at_ms + offset;
        (receipt.map_or(corrected, |arrival| corrected.min(arrival.at)), off)
    }

    /// The time of a record whose clock was set, or restarted, since it last spoke with the shop: after that contact, after its machine
    /// or property was entered, before its arrival. What the clock shows counts only where it lies there, give or take what was measured.
    fn by_what_is_around(&self, entry: &Entry, shown: i64, off: i64) -> (i64, i64) {
        let end = self.receipt(entry).map(|arrival| arrival.at);
        let fits = |begin: &i64| end.is_none_or(|end| *begin <= end);
        let begin = [entry.record.clock.contact_ms, self.entered(entry)].into_iter().flatten().filter(fits).max();
        let shown_early = begin.is_some_and(|begin| shown + off < begin);
        let shown_late = end.is_some_and(|end| shown - off > end);
        match (begin, end) {
            (Some(begin), Some(end)) if shown_early || shown_late => {
                let half = (end - begin) / 2;
                (begin + half, off.max(end - begin - half))
            }
            (Some(begin), Some(end)) => {
                let at = shown.clamp(begin, end);
                (at, off.max(at - begin).max(end - at))
            }
            (Some(begin), None) => (shown.max(begin), off.max(shown.max(begin) - begin)),
            (None, Some(end)) => (shown.min(end), off.max((end - shown).abs())),
            (None, None) => (shown, off),
        }
    }

    /// When the machine or the property of a record was entered, at the earliest; nothing bounds that record itself.
    fn entered(&self, entry: &Entry) -> Option<i64> {
        let enters = |e: &Entry| matches!(e.record.body, Body::Machine(_) | Body::Property(_));
        if enters(entry) {
            return None;
        }
        let earliest = |e: &Entry| {
            let (at, off) = self.own_time(e);
            at - off
        };
        self.entries.iter().filter(|e| enters(e)).map(earliest).min()
    }

    /// Never earlier than anything seen, in its slot.
    fn corrected(&self, entry: &Entry) -> i64 {
        let seen = self.seen_by(entry).into_iter().filter_map(|id| self.find(id)).map(|seen| self.own_time(seen).0);
        seen.chain([self.own_time(entry).0]).max().unwrap_or(0)
    }

    /// All of its slot that it has seen, directly or through others.
    fn seen_by(&self, entry: &'a Entry) -> BTreeSet<RecordId> {
        let Some(slot) = Slot::of(&entry.record) else { return BTreeSet::new() };
        let (mut open, mut done) = (vec![entry], BTreeSet::new());
        while let Some(at) = open.pop() {
            for seen in &at.record.seen {
                if let Some(next) = self.find(*seen)
                    && Slot::of(&next.record).as_ref() == Some(&slot)
                    && done.insert(*seen)
                {
                    open.push(next);
                }
            }
        }
        done
    }

    /// Those that no other of these has seen. Two that claim to have seen each other have not.
    pub(super) fn tips(&self, live: &[&'a Entry]) -> Vec<&'a Entry> {
        let seen: BTreeMap<RecordId, BTreeSet<RecordId>> = live.iter().map(|e| (e.record.id, self.seen_by(e))).collect();
        let has_seen = |a: &Entry, b: &Entry| seen.get(&a.record.id).is_some_and(|seen| seen.contains(&b.record.id));
        live.iter().copied().filter(|tip| !live.iter().any(|other| has_seen(other, tip) && !has_seen(tip, other))).collect()
    }

    /// How far off its time may be.
    pub(super) fn off_by(&self, entry: &Entry) -> i64 {
        self.own_time(entry).1
    }

    /// Whether clocks can tell which of two came first.
    pub(super) fn order_is_known(&self, a: &Entry, b: &Entry) -> bool {
        (self.at(a) - self.at(b)).abs() > self.off_by(a) + self.off_by(b)
    }

    fn is_shops(&self, entry: &Entry) -> bool {
        entry.device == self.roster.root.device
    }

    /// The roles that a record which decides is judged by: when it was written, and when it arrived, or now. What the office let in
    /// from quarantine counts though its author has the right no more.
    fn roles(&self, entry: &Entry) -> Vec<Option<Role>> {
        let receipt = self.receipt(entry);
        let released = receipt.is_some_and(|arrival| arrival.released_by.is_some());
        let arrived = receipt.map_or(i64::MAX, |arrival| arrival.at);
        let on_arrival = (!released).then(|| self.roster.role_on_arrival(entry.record.by, arrived));
        // Nobody decides on what is not there yet.
        let decided_on: Vec<RecordId> = match &entry.record.body {
            Body::Void(void) => vec![void.target],
            Body::Ruling(ruling) => ruling.of.clone(),
            Body::SignOff(sign_off) => vec![sign_off.visit],
            Body::FindingCleared(cleared) => vec![cleared.finding],
            _ => Vec::new(),
        };
        let written = decided_on.iter().filter_map(|id| self.find(*id)).chain([entry]).map(|e| self.at(e)).max();
        let when_written = self.roster.role_at(entry.record.by, written.unwrap_or(i64::MAX));
        [when_written].into_iter().chain(on_arrival).collect()
    }

    /// Whether its author had the right to write it, where it decides something.
    pub(super) fn had_right(&self, entry: &Entry) -> bool {
        let kind = entry.record.body.kind();
        if !decides(kind) {
            return true;
        }
        if self.is_shops(entry) {
            return ["shop", "person", "role", "device"].contains(&kind);
        }
        let roles = self.roles(entry);
        roles.into_iter().all(|role| role.is_some_and(|role| self.may(entry, role)))
    }

    fn may(&self, entry: &Entry, role: Role) -> bool {
        let record = &entry.record;
        if record.measured_by.is_some() && role != Role::Office {
            return false;
        }
        match &record.body {
            Body::EngineCard(_) | Body::Property(_) => matches!(role, Role::Office | Role::Lead),
            Body::Machine(card) => card.provisional || matches!(role, Role::Office | Role::Lead),
            Body::SignOff(_) | Body::FindingCleared(_) => matches!(role, Role::Tech | Role::Lead | Role::Office),
            Body::Void(void) => self.find(void.target).is_some_and(|target| self.may_undo(entry, role, target)),
            // A lead does not rule where one of the readings is their own.
            Body::Ruling(ruling) => {
                let own = |e: &Entry| e.record.by == record.by || e.record.measurer() == record.by;
                let weighs_own = ruling.of.iter().filter_map(|id| self.find(*id)).any(own);
                role == Role::Office || (role == Role::Lead && !weighs_own)
            }
            Body::Device(_) => false,
            _ => role == Role::Office,
        }
    }

    /// Their own; a lead those of lower roles too; the office any, and what the office alone writes nobody else.
    fn may_undo(&self, void: &Entry, role: Role, target: &Entry) -> bool {
        let own = void.record.by == target.record.by;
        match role {
            Role::Office => true,
            _ if is_of_office(target.record.body.kind()) => false,
            Role::Lead => own || self.role(target).is_none_or(|role| role.rank() < Role::Lead.rank()),
            _ => own,
        }
    }

    fn is_undone(&self, target: &Entry) -> bool {
        let for_ever = ["void", "arrival", "device", "device-revoked"].contains(&target.record.body.kind());
        let undoes = |e: &Entry| matches!(&e.record.body, Body::Void(void) if void.target == target.record.id);
        !for_ever && self.entries.iter().any(|e| undoes(e) && self.had_right(e))
    }

    /// A lead's word on a card that is the office's to keep.
    pub(super) fn only_proposes(&self, entry: &Entry) -> bool {
        let card = match &entry.record.body {
            Body::EngineCard(_) | Body::Property(_) => true,
            Body::Machine(card) => !card.provisional,
            _ => false,
        };
        card && self.role(entry) == Some(Role::Lead)
    }
}
