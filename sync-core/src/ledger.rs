//! The records of one document, laid out for judging: by slot, with corrected times and what voids what.
//!
//! A function of the set: the order in which the records are given changes nothing.

use std::collections::{BTreeMap, BTreeSet};

use petgraph::algo::kosaraju_scc;
use petgraph::graph::{DiGraph, NodeIndex};
use shared::ids::{DeviceId, RecordId};
use shared::record::{Body, Record};
use shared::slot::Slot;

use crate::clock::{Corrected, Receipt, correct};
use crate::rights;
use crate::roster::Roster;

/// A record of the book, with the device that signed it.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Who signed.
    pub device: DeviceId,
    /// What it says.
    pub record: Record,
}

/// The records of one document.
#[derive(Debug, Clone, Default)]
pub struct Ledger {
    entries: BTreeMap<RecordId, Entry>,
    receipts: BTreeMap<RecordId, Receipt>,
    slots: BTreeMap<Slot, Vec<RecordId>>,
    corrected: BTreeMap<RecordId, Corrected>,
    replaced: BTreeMap<RecordId, BTreeSet<RecordId>>,
    depth: BTreeMap<RecordId, usize>,
    /// Something in it takes a record back, or rules: else nobody need be asked.
    settles: bool,
}

impl Ledger {
    /// Lays out the records of a document.
    #[must_use]
    pub fn new(entries: impl IntoIterator<Item = Entry>) -> Self {
        let entries: BTreeMap<RecordId, Entry> = entries.into_iter().map(|entry| (entry.record.id, entry)).collect();
        let mut ledger = Self { receipts: receipts(&entries), ..Self::default() };
        for (id, entry) in &entries {
            ledger.settles |= matches!(entry.record.body, Body::Void(_) | Body::Ruling(_));
            if let Some(slot) = Slot::of(&entry.record) {
                ledger.slots.entry(slot).or_default().push(*id);
            }
            ledger.corrected.insert(*id, correct(&entry.record, ledger.receipts.get(id)));
        }
        ledger.entries = entries;
        let slots: Vec<Vec<RecordId>> = ledger.slots.values().cloned().collect();
        for slot in slots {
            ledger.follow_seen(&slot);
        }
        ledger
    }

    /// Follows `seen` within one slot: floors corrected times, and notes what each record replaces directly.
    ///
    /// Records that claim to have seen each other in a ring (no honest device can) are taken as not having.
    fn follow_seen(&mut self, slot: &[RecordId]) {
        // Ids rise with time, and so what was seen has a smaller one: no ring can be, and this order will do.
        let rises = |id: &RecordId| self.entries[id].record.seen.iter().all(|seen| seen < id || slot.binary_search(seen).is_err());
        if slot.iter().all(rises) {
            for id in slot {
                let seen: BTreeSet<RecordId> =
                    self.entries[id].record.seen.iter().copied().filter(|seen| slot.binary_search(seen).is_ok()).collect();
                self.place_after(*id, seen);
            }
            return;
        }
        self.follow_rings(slot);
    }

    /// Notes what a record replaces, once all of that has its own place.
    fn place_after(&mut self, id: RecordId, seen: BTreeSet<RecordId>) {
        let floor = seen.iter().map(|s| self.corrected[s].ms).max();
        let depth = seen.iter().filter_map(|s| self.depth.get(s)).max().map_or(0, |deepest| deepest + 1);
        self.depth.insert(id, depth);
        if let (Some(floor), Some(own)) = (floor, self.corrected.get_mut(&id)) {
            own.ms = own.ms.max(floor);
        }
        self.replaced.insert(id, seen);
    }

    fn follow_rings(&mut self, slot: &[RecordId]) {
        let mut graph: DiGraph<RecordId, ()> = DiGraph::with_capacity(slot.len(), slot.len());
        let nodes: BTreeMap<RecordId, NodeIndex> = slot.iter().map(|id| (*id, graph.add_node(*id))).collect();
        for id in slot {
            for seen in &self.entries[id].record.seen {
                if let Some(node) = nodes.get(seen) {
                    graph.add_edge(nodes[id], *node, ());
                }
            }
        }
        // kosaraju gives what is seen before what has seen it; it is iterative, so that long chains cannot exhaust the stack.
        let rings = kosaraju_scc(&graph);
        let ring_of: BTreeMap<NodeIndex, usize> =
            rings.iter().enumerate().flat_map(|(n, ring)| ring.iter().map(move |node| (*node, n))).collect();
        for (n, ring) in rings.iter().enumerate() {
            // A ring has seen what any of it has seen, and who has seen one of a ring has seen it whole.
            let seen_rings: BTreeSet<usize> =
                ring.iter().flat_map(|node| graph.neighbors(*node)).map(|other| ring_of[&other]).filter(|other| *other != n).collect();
            let seen: BTreeSet<RecordId> = seen_rings.iter().flat_map(|other| &rings[*other]).map(|node| graph[*node]).collect();
            for id in ring.iter().map(|node| graph[*node]) {
                self.place_after(id, seen.clone());
            }
        }
    }

    /// Every record, in the order of their ids.
    pub fn entries(&self) -> impl Iterator<Item = &Entry> {
        self.entries.values()
    }

    /// One record.
    #[must_use]
    pub fn get(&self, id: RecordId) -> Option<&Entry> {
        self.entries.get(&id)
    }

    /// The slots that anything speaks about.
    pub fn slots(&self) -> impl Iterator<Item = &Slot> {
        self.slots.keys()
    }

    /// The records of a slot, dead and alive.
    #[must_use]
    pub fn in_slot(&self, slot: &Slot) -> &[RecordId] {
        self.slots.get(slot).map_or(&[], Vec::as_slice)
    }

    /// The corrected time of a record of this ledger; the epoch for any other.
    #[must_use]
    pub fn time(&self, id: RecordId) -> Corrected {
        self.corrected.get(&id).copied().unwrap_or(Corrected { ms: 0, uncertainty_ms: 0 })
    }

    /// How many records of its slot stand behind a record, one having seen the other: among equal times, causality orders.
    #[must_use]
    pub fn depth(&self, id: RecordId) -> usize {
        self.depth.get(&id).copied().unwrap_or(0)
    }

    /// The shop's receipt for a record, where there is one.
    #[must_use]
    pub fn receipt(&self, id: RecordId) -> Option<&Receipt> {
        self.receipts.get(&id)
    }

    /// Whether anything in it takes a record back, or rules.
    #[must_use]
    pub const fn settles(&self) -> bool {
        self.settles
    }

    /// The valid void of a record, if it is voided: the void's author may take it back.
    #[must_use]
    pub fn voided_by(&self, id: RecordId, roster: &Roster) -> Option<RecordId> {
        if !self.settles {
            return None;
        }
        let target = self.entries.get(&id)?;
        if matches!(target.record.body, Body::Void(_) | Body::Arrival(_)) {
            return None;
        }
        let voids = self.in_slot(&Slot::void(id));
        voids.iter().copied().find(|void| {
            let author = self.entries[void].record.by;
            let role = roster.role_at(author, self.time(*void).ms);
            let target_role = roster.role_at(target.record.by, self.time(id).ms);
            rights::may_void(author, role, target.record.by, target_role).is_ok()
        })
    }

    /// Those of these records of one slot that none of the others has seen, directly or through any record.
    #[must_use]
    pub fn tips_among(&self, live: &[RecordId]) -> Vec<RecordId> {
        if live.len() < 2 {
            return live.to_vec();
        }
        let seen_by = |id: &RecordId| self.replaced.get(id).into_iter().flatten().copied();
        let mut reached = BTreeSet::new();
        let mut open: Vec<RecordId> = live.iter().flat_map(seen_by).collect();
        while let Some(id) = open.pop() {
            if reached.insert(id) {
                open.extend(seen_by(&id));
            }
        }
        live.iter().copied().filter(|id| !reached.contains(id)).collect()
    }
}

/// The earliest receipt of every record that an arrival names.
fn receipts(entries: &BTreeMap<RecordId, Entry>) -> BTreeMap<RecordId, Receipt> {
    let mut receipts: BTreeMap<RecordId, Receipt> = BTreeMap::new();
    for entry in entries.values() {
        if let Body::Arrival(arrival) = &entry.record.body {
            let receipt = Receipt { at_ms: arrival.at, skew_ms: arrival.skew_ms, uncertainty_ms: arrival.uncertainty_ms };
            for id in &arrival.records {
                let Some(named) = entries.get(id) else { continue };
                let receipt = receipt.of_record(named.device, arrival.brought_by);
                receipts
                    .entry(*id)
                    .and_modify(|held| {
                        if receipt.at_ms < held.at_ms {
                            *held = receipt;
                        }
                    })
                    .or_insert(receipt);
            }
        }
    }
    receipts
}

#[cfg(test)]
mod tests;
