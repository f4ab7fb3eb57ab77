//! The records of one document, laid out for judging: by slot, with corrected times and what voids what.
//!
//! A function of the set: the order in which the records are given changes nothing.

use std::collections::{BTreeMap, BTreeSet};

use petgraph::algo::kosaraju_scc;
use petgraph::graph::{DiGraph, NodeIndex};
use shared::bytes::Bytes32;
use shared::ids::{DeviceId, RecordId};
use shared::record::{Arrival, Body, Receipted, Record};
use shared::slot::Slot;

use crate::judge::corrected_time::{Corrected, Receipt, correct};
use crate::judge::permissions::{self, DocKind};
use crate::judge::roster::Roster;

/// A record of the book, with the device that signed it.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Who signed.
    pub device: DeviceId,
    /// What it says.
    pub record: Record,
    /// SHA-256 of its signed bytes: a receipt is for these bytes, whatever else has the record's id.
    pub sha256: Bytes32,
}

impl Entry {
    /// What a receipt for it names.
    #[must_use]
    pub const fn receipted(&self) -> Receipted {
        Receipted { record: self.record.id, sha256: self.sha256 }
    }

    /// Whether a receipt of the shop is for this record.
    #[must_use]
    pub fn is_named_by(&self, arrival: &Arrival) -> bool {
        arrival.records.contains(&self.receipted())
    }
}

/// A record where it lies among the others of its document.
#[derive(Debug, Clone, PartialEq)]
struct Laid {
    entry: Entry,
    receipt: Option<Receipt>,
    corrected: Corrected,
    /// What it replaces directly: those of its slot that it has seen, by where they lie. Of a ring the first of it, which stands
    /// for all of it.
    replaced: Vec<usize>,
    /// The first of the ring that it is in; itself where it is in none.
    ring: usize,
    depth: usize,
}

/// A ring of records that claim to have seen each other, or one record alone, once it has its place.
#[derive(Debug, Clone, Copy)]
struct Ring {
    /// The first of it.
    first: usize,
    /// The latest corrected time of it.
    ms: i64,
    depth: usize,
}

/// Of so many new records each is laid behind the others by itself; more are sorted in with them, which costs as much as one.
const MOST_AT_END: usize = 16;

/// The records of one document.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Ledger {
    /// In the order of their ids.
    laid: Vec<Laid>,
    /// In the order of their names.
    slots: Vec<(Slot, Vec<RecordId>)>,
    /// Receipts that an earlier one displaced: a shop that lost a receipt has signed another.
    displaced: Vec<(RecordId, i64)>,
    /// Something in it takes a record back, or rules: else nobody need be asked.
    settles: bool,
    /// When its machine or property was entered, ms since 1970 UTC: nothing in it is older.
    entered_ms: Option<i64>,
}

impl Ledger {
    /// Lays out the records of a document.
    #[must_use]
    pub fn new(entries: impl IntoIterator<Item = Entry>) -> Self {
        let mut entries: Vec<Entry> = entries.into_iter().collect();
        entries.sort_by_key(|entry| entry.record.id);
        // A record may come in two changes: it is one all the same.
        entries.dedup_by(|later, earlier| later.record.id == earlier.record.id);
        let (receipts, displaced) = receipts(&entries);
        let mut ledger = Self { laid: Vec::with_capacity(entries.len()), displaced, ..Self::default() };
        let mut slotted: Vec<(Slot, usize)> = Vec::with_capacity(entries.len());
        let entered = |(entry, receipt): (&Entry, &Option<Receipt>)| {
            let founds = DocKind::founded_by(&entry.record.body).is_some();
            founds.then(|| correct(&entry.record, receipt.as_ref(), None)).map(|time| time.ms.saturating_sub(time.uncertainty_ms))
        };
        ledger.entered_ms = entries.iter().zip(&receipts).filter_map(entered).min();
        for (n, (entry, receipt)) in entries.into_iter().zip(receipts).enumerate() {
            ledger.settles |= matches!(entry.record.body, Body::Void(_) | Body::Ruling(_));
            slotted.extend(Slot::of(&entry.record).map(|slot| (slot, n)));
            let corrected = ledger.correct(&entry.record, receipt.as_ref());
            ledger.laid.push(Laid { entry, receipt, corrected, replaced: Vec::new(), ring: n, depth: 0 });
        }
        slotted.sort();
        for of_slot in slotted.chunk_by(|(a, _), (b, _)| a == b) {
            let slot: Vec<usize> = of_slot.iter().map(|(_, n)| *n).collect();
            ledger.follow_seen(&slot);
            let ids = slot.iter().map(|n| ledger.id(*n)).collect();
            ledger.slots.extend(of_slot.first().map(|(name, _)| (name.clone(), ids)));
        }
        ledger
    }

    /// The same with more records. One that is the newest and changes nothing about the others, as a reading just taken, is laid
    /// at the end; for any other all are laid out anew.
    #[must_use]
    pub fn with(mut self, more: impl IntoIterator<Item = Entry>) -> Self {
        let more: Vec<Entry> = more.into_iter().collect();
        let few = more.len() <= MOST_AT_END;
        let mut more = more.into_iter();
        while let Some(entry) = more.next() {
            if !few || !self.ends_with(&entry) {
                return Self::new(self.laid.into_iter().map(|laid| laid.entry).chain([entry]).chain(more));
            }
            self.lay_at_end(entry);
        }
        self
    }

    /// Whether a record lies behind all others, and none of them says anything about it, nor it about them beyond its own slot.
    fn ends_with(&self, entry: &Entry) -> bool {
        let id = entry.record.id;
        let names = |laid: &Laid| match &laid.entry.record.body {
            Body::Arrival(arrival) => entry.is_named_by(arrival),
            _ => false,
        };
        let newest = self.laid.last().is_none_or(|last| last.entry.record.id < id);
        let apart = || !matches!(entry.record.body, Body::Arrival(_)) && !self.laid.iter().any(names);
        // Of a slot in which one has seen what came after it, the ring is looked for in all of it.
        let in_order = || Slot::of(&entry.record).is_none_or(|slot| self.in_slot(&slot).iter().all(|held| self.has_seen_older_only(*held)));
        let founds = DocKind::founded_by(&entry.record.body).is_some();
        newest && !founds && apart() && in_order()
    }

    fn correct(&self, record: &Record, receipt: Option<&Receipt>) -> Corrected {
        let founds = DocKind::founded_by(&record.body).is_some();
        correct(record, receipt, self.entered_ms.filter(|_| !founds))
    }

    fn has_seen_older_only(&self, id: RecordId) -> bool {
        self.get(id).is_none_or(|entry| entry.record.seen.iter().all(|seen| *seen < id))
    }

    fn lay_at_end(&mut self, entry: Entry) {
        let (n, id) = (self.laid.len(), entry.record.id);
        self.settles |= matches!(entry.record.body, Body::Void(_) | Body::Ruling(_));
        let slot = Slot::of(&entry.record);
        let corrected = self.correct(&entry.record, None);
        self.laid.push(Laid { entry, receipt: None, corrected, replaced: Vec::new(), ring: n, depth: 0 });
        let Some(slot) = slot else { return };
        let at = match self.slots.binary_search_by(|(name, _)| name.cmp(&slot)) {
            Ok(at) => at,
            Err(at) => {
                self.slots.insert(at, (slot, Vec::new()));
                at
            }
        };
        let in_slot = &self.slots[at].1;
        let in_it = self.laid[n].entry.record.seen.iter().filter(|seen| in_slot.binary_search(seen).is_ok());
        let seen = in_it.filter_map(|seen| self.find(*seen)).collect();
        self.place_after(n, seen);
        self.slots[at].1.push(id);
    }

    fn id(&self, n: usize) -> RecordId {
        self.laid[n].entry.record.id
    }

    fn find(&self, id: RecordId) -> Option<usize> {
        self.laid.binary_search_by_key(&id, |laid| laid.entry.record.id).ok()
    }

    fn at(&self, id: RecordId) -> Option<&Laid> {
        self.find(id).map(|n| &self.laid[n])
    }

    /// Those of a slot that one of it says it has seen, in order.
    fn seen_of<'s>(&'s self, slot: &'s [usize], n: usize) -> impl Iterator<Item = usize> + 's {
        let seen = self.laid[n].entry.record.seen.iter();
        seen.filter_map(|id| slot.binary_search_by_key(id, |n| self.id(*n)).ok().map(|at| slot[at]))
    }

    /// Follows `seen` within one slot: floors corrected times, and notes what each record replaces directly.
    ///
    /// Records that claim to have seen each other in a ring (no honest device can) are taken as not having.
    fn follow_seen(&mut self, slot: &[usize]) {
        // Ids rise with time, and so what was seen has a smaller one: no ring can be, and this order will do.
        if slot.iter().all(|n| self.seen_of(slot, *n).all(|seen| seen < *n)) {
            for n in slot {
                let seen = self.seen_of(slot, *n).collect();
                self.place_after(*n, seen);
            }
            return;
        }
        self.follow_rings(slot);
    }

    /// Notes what a record replaces, once all of that has its own place.
    fn place_after(&mut self, n: usize, mut seen: Vec<usize>) {
        seen.sort_unstable();
        seen.dedup();
        let of = |seen: &usize| Ring { first: *seen, ms: self.laid[*seen].corrected.ms, depth: self.laid[*seen].depth };
        let rings: Vec<Ring> = seen.iter().map(of).collect();
        self.come_after(n, &rings);
        self.laid[n].replaced = seen;
    }

    /// Is deeper than what it has seen, and not older.
    fn come_after(&mut self, n: usize, seen: &[Ring]) {
        let laid = &mut self.laid[n];
        laid.depth = seen.iter().map(|ring| ring.depth + 1).max().unwrap_or(0);
        laid.corrected.ms = seen.iter().map(|ring| ring.ms).max().map_or(laid.corrected.ms, |floor| laid.corrected.ms.max(floor));
    }

    fn follow_rings(&mut self, slot: &[usize]) {
        let mut graph: DiGraph<usize, ()> = DiGraph::with_capacity(slot.len(), slot.len());
        let nodes: BTreeMap<usize, NodeIndex> = slot.iter().map(|n| (*n, graph.add_node(*n))).collect();
        for n in slot {
            for seen in self.seen_of(slot, *n) {
                graph.add_edge(nodes[n], nodes[&seen], ());
            }
        }
        // kosaraju gives what is seen before what has seen it; it is iterative, so that long chains cannot exhaust the stack.
        let rings = kosaraju_scc(&graph);
        let mut ring_of: Vec<usize> = vec![0; graph.node_count()];
        for (n, ring) in rings.iter().enumerate() {
            ring.iter().for_each(|node| ring_of[node.index()] = n);
        }
        let mut placed: Vec<Ring> = Vec::with_capacity(rings.len());
        for (n, ring) in rings.iter().enumerate() {
            // A ring has seen what any of it has seen, and who has seen one of a ring has seen it whole.
            let seen = ring.iter().flat_map(|node| graph.neighbors(*node)).map(|other| ring_of[other.index()]);
            let seen: BTreeSet<usize> = seen.filter(|other| *other != n).collect();
            let seen: Vec<Ring> = seen.iter().filter_map(|other| placed.get(*other)).copied().collect();
            let first = ring.iter().map(|node| graph[*node]).min().unwrap_or_default();
            for laid in ring.iter().map(|node| graph[*node]) {
                self.laid[laid].ring = first;
                self.come_after(laid, &seen);
            }
            self.laid[first].replaced = seen.iter().map(|ring| ring.first).collect();
            self.laid[first].replaced.sort_unstable();
            let ms = ring.iter().map(|node| self.laid[graph[*node]].corrected.ms).max().unwrap_or_default();
            placed.push(Ring { first, ms, depth: self.laid[first].depth });
        }
    }

    /// Every record, in the order of their ids.
    pub fn entries(&self) -> impl Iterator<Item = &Entry> {
        self.laid.iter().map(|laid| &laid.entry)
    }

    /// One record.
    #[must_use]
    pub fn get(&self, id: RecordId) -> Option<&Entry> {
        self.at(id).map(|laid| &laid.entry)
    }

    /// The slots that anything speaks about.
    pub fn slots(&self) -> impl Iterator<Item = &Slot> {
        self.slots.iter().map(|(slot, _)| slot)
    }

    /// The records of a slot, dead and alive.
    #[must_use]
    pub fn in_slot(&self, slot: &Slot) -> &[RecordId] {
        let found = self.slots.binary_search_by(|(name, _)| name.cmp(slot));
        found.map_or(&[], |at| self.slots[at].1.as_slice())
    }

    /// The corrected time of a record of this ledger; the epoch for any other.
    #[must_use]
    pub fn time(&self, id: RecordId) -> Corrected {
        self.at(id).map_or(Corrected::NONE, |laid| laid.corrected)
    }

    /// How many records of its slot stand behind a record, one having seen the other: among equal times, causality orders.
    #[must_use]
    pub fn depth(&self, id: RecordId) -> usize {
        self.at(id).map_or(0, |laid| laid.depth)
    }

    /// The shop's receipt for a record, where there is one.
    #[must_use]
    pub fn receipt(&self, id: RecordId) -> Option<&Receipt> {
        self.at(id)?.receipt.as_ref()
    }

    /// Records with the shop times of receipts that count no more, because the shop signed an earlier one for the same record.
    #[must_use]
    pub fn displaced_receipts(&self) -> &[(RecordId, i64)] {
        &self.displaced
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
        let target = self.at(id)?;
        if !permissions::is_voidable(target.entry.record.body.kind()) {
            return None;
        }
        let voids = self.in_slot(&Slot::Void(id));
        voids.iter().copied().find(|void| self.get(*void).is_some_and(|void| permissions::had_right(void, self, roster).is_ok()))
    }

    /// Those of these records of one slot that none of the others has seen, directly or through any record.
    #[must_use]
    pub fn tips_among(&self, live: &[RecordId]) -> Vec<RecordId> {
        if live.len() < 2 {
            return live.to_vec();
        }
        let mut reached = BTreeSet::new();
        let ring = |id: &RecordId| self.find(*id).map(|n| self.laid[n].ring);
        let from: BTreeSet<usize> = live.iter().filter_map(ring).collect();
        let mut open: Vec<usize> = from.into_iter().collect();
        while let Some(n) = open.pop() {
            for seen in &self.laid[n].replaced {
                if reached.insert(*seen) {
                    open.push(*seen);
                }
            }
        }
        live.iter().copied().filter(|id| ring(id).is_none_or(|first| !reached.contains(&first))).collect()
    }
}

/// The earliest receipt of every record that an arrival names, in the order of the records; and the later ones.
fn receipts(entries: &[Entry]) -> (Vec<Option<Receipt>>, Vec<(RecordId, i64)>) {
    let mut receipts: Vec<Option<Receipt>> = vec![None; entries.len()];
    let mut displaced = Vec::new();
    for entry in entries {
        if let Body::Arrival(arrival) = &entry.record.body {
            let measured = Receipt::measured(arrival.at, arrival.skew_ms, arrival.uncertainty_ms);
            let receipt = Receipt { released: arrival.released_by.is_some(), ..measured };
            for Receipted { record: id, sha256 } in &arrival.records {
                let Ok(named) = entries.binary_search_by_key(id, |entry| entry.record.id) else { continue };
                if entries[named].sha256 != *sha256 {
                    continue;
                }
                let receipt = receipt.of_record(entries[named].device, arrival.brought_by);
                let Some(held) = &mut receipts[named] else {
                    receipts[named] = Some(receipt);
                    continue;
                };
                if receipt.at_ms != held.at_ms {
                    displaced.push((*id, receipt.at_ms.max(held.at_ms)));
                }
                if receipt.at_ms < held.at_ms {
                    *held = receipt;
                }
            }
        }
    }
    (receipts, displaced)
}

#[cfg(test)]
mod tests;
