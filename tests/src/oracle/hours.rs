//! The hour meter: the heaviest set of readings of which every two fit, found by trying all sets.

use std::collections::BTreeSet;

use shared::ids::RecordId;
use shared::record::Body;
use shared::slot::Slot;
use sync_core::judge::ledger::Entry;
use sync_core::judge::standing::State;

use super::{Oracle, Question, Verdict, picks};

const TENTH_MS: i64 = 360_000;
/// A reading that a ruling let in outweighs any number of others.
const RULED_WEIGHT: u64 = 10_000;

/// Whether two readings cannot both be so: more than 0.2 h apart beyond what the clock between them allows.
pub(super) fn too_far_apart(a: (i64, i64), b: (i64, i64)) -> bool {
    let ((t0, h0), (t1, h1)) = if a.0 <= b.0 { (a, b) } else { (b, a) };
    h1 - h0 < -2 || h1 - h0 > (t1 - t0) / TENTH_MS + 2
}

/// A reading on the engine's scale.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Read {
    id: RecordId,
    at_ms: i64,
    tenths: i64,
    off_ms: i64,
    weight: u64,
}

/// Hours do not fall and do not rise faster than the clock, give or take a tenth of an hour and what both clocks may be off.
fn fit(a: &Read, b: &Read) -> bool {
    let (less, more) = if (a.tenths, a.at_ms) <= (b.tenths, b.at_ms) { (a, b) } else { (b, a) };
    (more.tenths - less.tenths) * TENTH_MS <= more.at_ms - less.at_ms + TENTH_MS + less.off_ms + more.off_ms
}

/// The heaviest set of which every two fit; of equally heavy ones the one whose readings lie, added up, the longest before the latest
/// of all. `None` where two different sets are the same in that as well.
fn heaviest(reads: &[Read]) -> Option<Vec<Read>> {
    let latest = reads.iter().map(|read| read.at_ms).max().unwrap_or(0);
    let mut search = Search { reads, latest, best: (0, 0), sets: vec![vec![]] };
    search.go_on(0, &mut Vec::new(), (0, 0));
    let mut sets: Vec<Vec<Read>> = search.sets;
    if sets.len() == 1 { sets.pop() } else { None }
}

struct Search<'r> {
    reads: &'r [Read],
    latest: i64,
    best: (u64, i64),
    sets: Vec<Vec<Read>>,
}

impl Search<'_> {
    fn go_on(&mut self, n: usize, taken: &mut Vec<Read>, worth: (u64, i64)) {
        let Some(read) = self.reads.get(n) else {
            if worth > self.best {
                (self.best, self.sets) = (worth, vec![taken.clone()]);
            } else if worth == self.best && !self.sets.contains(taken) {
                self.sets.push(taken.clone());
            }
            return;
        };
        let could_be: u64 = self.reads[n..].iter().map(|read| read.weight).sum();
        if worth.0 + could_be < self.best.0 {
            return;
        }
        if taken.iter().all(|other| fit(other, read)) {
            taken.push(*read);
            self.go_on(n + 1, taken, (worth.0 + read.weight, worth.1 + self.latest - read.at_ms));
            taken.pop();
        }
        self.go_on(n + 1, taken, worth);
    }
}

/// The readings judged together with what rulings let in.
struct Judged {
    reads: Vec<Read>,
    chain: Vec<Read>,
}

impl Judged {
    fn is_on_chain(&self, id: RecordId) -> bool {
        self.chain.iter().any(|read| read.id == id)
    }
}

impl<'a> Oracle<'a> {
    pub(super) fn judge_hours(&self) -> Option<Verdict> {
        let live = self.facts.live(&Slot::Hours);
        let rulings = self.rulings(&Slot::Hours);
        let all: BTreeSet<RecordId> = rulings.iter().filter_map(|ruling| picks(ruling)).collect();
        let (judged, re_opened) = self.with_rulings(&live, &rulings, &all)?;
        // A ruling lets its reading in where it still counts, whatever the chain.
        let counting = if re_opened.is_empty() { all } else { all.difference(&re_opened).copied().collect() };
        let plausible = live.iter().copied().filter(|e| judged.is_on_chain(e.record.id) || counting.contains(&e.record.id)).collect();
        let tenths = |id: RecordId| judged.reads.iter().find(|read| read.id == id).map(|read| read.tenths);
        let asked = self.rivals(&judged)? || !re_opened.is_empty();
        let verdict = self.judge_these(&Question { plausible, rulings, by_window: true }, tenths);
        // What no ruling decided is asked about.
        let decided = matches!(verdict.state, State::Ruled | State::Recheck);
        let contested = asked && !decided && verdict.stands.is_some();
        Some(if contested { Verdict { state: State::Contested, ..verdict } } else { verdict })
    }

    /// A ruling lets its reading in until a contender comes that it had not weighed and that its reading contradicts. What was let in
    /// until then is the second.
    fn with_rulings(&self, live: &[&'a Entry], rulings: &[&'a Entry], all: &BTreeSet<RecordId>) -> Option<(Judged, BTreeSet<RecordId>)> {
        let ruled = self.chain(live, all)?;
        if all.is_empty() {
            return Some((ruled, BTreeSet::new()));
        }
        let without = self.chain(live, &BTreeSet::new())?;
        let on_it: Vec<&Entry> = live.iter().copied().filter(|e| without.is_on_chain(e.record.id)).collect();
        let contenders = self.in_window(&self.facts.tips(&on_it));
        let contradicted: Vec<RecordId> = contenders.iter().map(|e| e.record.id).filter(|id| !ruled.is_on_chain(*id)).collect();
        let weighed_all = |ruling: &Entry| match &ruling.record.body {
            Body::Ruling(ruling) => contradicted.iter().all(|id| ruling.of.contains(id)),
            _ => false,
        };
        let kept: BTreeSet<RecordId> = rulings.iter().filter(|e| weighed_all(e)).filter_map(|e| picks(e)).collect();
        if kept == *all {
            return Some((ruled, BTreeSet::new()));
        }
        let judged = self.chain(live, &kept)?;
        let re_opened = all.iter().copied().filter(|id| judged.reads.iter().any(|r| r.id == *id) && !judged.is_on_chain(*id)).collect();
        Some((judged, re_opened))
    }

    fn chain(&self, live: &[&'a Entry], let_in: &BTreeSet<RecordId>) -> Option<Judged> {
        let swaps = self.swaps();
        let read = |e: &&Entry| {
            let Body::Hours(reading) = &e.record.body else { return None };
            let at_ms = self.facts.at(e);
            let added: i64 = swaps.iter().filter(|(swapped_ms, ..)| *swapped_ms < at_ms).map(|(_, old, new)| old - new).sum();
            let weight = if let_in.contains(&e.record.id) { RULED_WEIGHT } else { u64::from(self.facts.rank(e)) + 1 };
            Some(Read { id: e.record.id, at_ms, tenths: reading.meter.tenths() + added, off_ms: self.facts.off_by(e).max(0), weight })
        };
        let reads: Vec<Read> = live.iter().filter_map(read).collect();
        let chain = heaviest(&reads)?;
        Some(Judged { reads, chain })
    }

    /// Whether readings that contradict the last of the chain, and that nobody has corrected, weigh half as much as what they
    /// contradict, or more.
    fn rivals(&self, judged: &Judged) -> Option<bool> {
        let Some(last) = judged.chain.iter().max_by_key(|read| (read.at_ms, read.tenths)) else { return Some(false) };
        let entry = |read: &Read| self.facts.find(read.id);
        let corrected = |slip: &Read| {
            judged.chain.iter().filter_map(entry).any(|again| {
                let own = entry(slip).is_some_and(|slip| slip.record.measurer() == again.record.measurer());
                own && again.record.seen.contains(&slip.id)
            })
        };
        let off: Vec<Read> = judged.reads.iter().copied().filter(|r| !judged.is_on_chain(r.id) && !corrected(r) && !fit(r, last)).collect();
        let rivals = heaviest(&off)?;
        let weight: u64 = rivals.iter().map(|read| read.weight).sum();
        let contradicted = |read: &&Read| rivals.iter().any(|rival| !fit(read, rival));
        let against: u64 = judged.chain.iter().filter(contradicted).map(|read| read.weight).sum();
        Some(weight > 0 && against <= weight * 2)
    }
}
