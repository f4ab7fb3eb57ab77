//! Whether a valve was set between two readings of it: then they speak of two states of the engine, and both can be true.
//!
//! By visits, and by clocks only where these can tell: one reading is of a visit that *left* the valve; the other is of another
//! visit, whose first reading of this valve came after that, by clocks that can tell; and the adjuster was turned in between, in
//! the one visit after its reading, or in the other up to its reading. Only what the readings' own measurers say of their own
//! visits counts. The later reading is later by the clock as well, and so no two are each the earlier.
//!
//! One device can write thousands of readings into a slot: no reading is compared with each other one, but with the latest.

use std::collections::{BTreeMap, BTreeSet};

use shared::ids::{PersonId, RecordId};
use shared::record::{Body, Stage};
use shared::slot::Slot;
use shared::valve::Valve;

use crate::judge::ledger::Ledger;
use crate::judge::plausible;
use crate::judge::roster::Roster;
use crate::judge::standing::live;

/// A reading of the valve.
#[derive(Debug, Clone, Copy)]
struct Read {
    id: RecordId,
    stage: Stage,
    adjusted: bool,
    by: PersonId,
    visit: Option<RecordId>,
    at_ms: i64,
    off_ms: i64,
}

impl Read {
    fn of(id: RecordId, ledger: &Ledger) -> Option<Self> {
        let record = &ledger.get(id)?.record;
        let Body::Clearance(body) = &record.body else { return None };
        let time = ledger.time(id);
        plausible::clearance(body, None).is_none().then(|| Self {
            id,
            stage: body.stage,
            adjusted: body.adjusted,
            by: record.measurer(),
            visit: body.visit,
            at_ms: time.ms,
            off_ms: time.uncertainty_ms.max(0),
        })
    }
}

/// The readings of the valve by one person in one visit, each list in the order of time.
#[derive(Debug, Default)]
struct Sitting {
    /// No clock puts its first reading before this, ms.
    not_before_ms: Option<i64>,
    /// When the valve was read as left, ms, and when that was over by any clock: of this one or a later one, the earliest.
    left: Vec<(i64, i64)>,
    /// When the adjuster was turned, ms, by stage.
    turned: BTreeMap<Stage, Vec<(i64, RecordId)>>,
}

impl Sitting {
    /// Of readings in the order of time.
    fn of<'a>(reads: impl IntoIterator<Item = &'a Read>) -> Self {
        let mut sitting = Self::default();
        for read in reads {
            sitting.not_before_ms.get_or_insert(read.at_ms.saturating_sub(read.off_ms));
            if read.stage == Stage::Left {
                sitting.left.push((read.at_ms, read.at_ms.saturating_add(read.off_ms)));
            }
            if read.adjusted {
                sitting.turned.entry(read.stage).or_default().push((read.at_ms, read.id));
            }
        }
        let mut earliest = i64::MAX;
        for (_, over_ms) in sitting.left.iter_mut().rev() {
            earliest = earliest.min(*over_ms);
            *over_ms = earliest;
        }
        sitting
    }

    /// By when the valve was surely left, at a time or after it.
    fn left_from(&self, ms: i64) -> Option<i64> {
        self.left.get(self.left.partition_point(|(at_ms, _)| *at_ms < ms)).map(|(_, over_ms)| *over_ms)
    }

    /// When the adjuster was turned first after a reading: neither before it in the order of the work, nor by the clock.
    fn turned_after(&self, read: &Read) -> Option<i64> {
        let after = self.turned.range(read.stage..).filter_map(|(_, turns)| {
            let from = turns.partition_point(|(at_ms, _)| *at_ms < read.at_ms);
            turns.iter().skip(from).find(|(_, id)| *id != read.id).map(|(at_ms, _)| *at_ms)
        });
        after.min()
    }

    /// Whether the adjuster was turned up to a reading.
    fn was_turned_up_to(&self, read: &Read) -> bool {
        self.turned.range(..=read.stage).any(|(_, turns)| turns.first().is_some_and(|(at_ms, _)| *at_ms <= read.at_ms))
    }
}

/// The slots of a valve's readings, each of which says of the others what state of the engine they speak of.
pub(crate) fn slots_of(valve: Valve) -> [Slot; 3] {
    Stage::ALL.map(|stage| Slot::Lash(valve, stage))
}

/// Those of some readings of a valve that speak of an earlier state of the engine than another of them. O(n log n).
pub(crate) fn before_it_was_set(contending: &[RecordId], ledger: &Ledger, roster: &Roster) -> BTreeSet<RecordId> {
    let valve = contending.first().filter(|_| contending.len() > 1).and_then(|id| match &ledger.get(*id)?.record.body {
        Body::Clearance(body) => Some(body.valve),
        _ => None,
    });
    let Some(valve) = valve else { return BTreeSet::new() };
    let all = slots_of(valve).into_iter().flat_map(|slot| live(&slot, ledger, roster));
    let mut all: Vec<Read> = all.filter_map(|id| Read::of(id, ledger)).collect();
    all.sort_by_key(|read| (read.at_ms, read.id));
    let mut of_visits: BTreeMap<(RecordId, PersonId), Vec<&Read>> = BTreeMap::new();
    for read in &all {
        if let Some(visit) = read.visit {
            of_visits.entry((visit, read.by)).or_default().push(read);
        }
    }
    let sittings: BTreeMap<_, Sitting> = of_visits.into_iter().map(|(of, reads)| (of, Sitting::of(reads))).collect();
    let of_visit = |read: &Read| sittings.get(&(read.visit?, read.by));
    let contending: BTreeSet<&RecordId> = contending.iter().collect();
    let contending: Vec<&Read> = all.iter().filter(|read| contending.contains(&read.id)).collect();
    let (mut any, mut turned) = (Latest::default(), Latest::default());
    for later in &contending {
        let alone = Sitting::of([*later]);
        let sitting = of_visit(later).unwrap_or(&alone);
        let Some(not_before_ms) = sitting.not_before_ms else { continue };
        any.add(later.visit, not_before_ms);
        if sitting.was_turned_up_to(later) {
            turned.add(later.visit, not_before_ms);
        }
    }
    let is_earlier = |earlier: &&&Read| {
        let (Some(visit), Some(sitting)) = (earlier.visit, of_visit(earlier)) else { return false };
        let over =
            |from_ms, latest: &Latest| sitting.left_from(from_ms).zip(latest.of_another(visit)).is_some_and(|(over, next)| over < next);
        sitting.turned_after(earlier).is_some_and(|turned_ms| over(turned_ms, &any)) || over(earlier.at_ms, &turned)
    };
    contending.iter().filter(is_earlier).map(|read| read.id).collect()
}

/// The latest of some times, and the latest of another visit than that one's.
#[derive(Debug, Default)]
struct Latest([Option<(Option<RecordId>, i64)>; 2]);

impl Latest {
    fn add(&mut self, visit: Option<RecordId>, ms: i64) {
        let Self([first, second]) = self;
        match *first {
            Some((of_first, latest)) if of_first == visit => *first = Some((visit, latest.max(ms))),
            Some((_, latest)) if latest >= ms => {
                if second.is_none_or(|(_, held)| held < ms) {
                    *second = Some((visit, ms));
                }
            }
            _ => {
                *second = *first;
                *first = Some((visit, ms));
            }
        }
    }

    /// The latest that is not of this visit.
    fn of_another(&self, visit: RecordId) -> Option<i64> {
        self.0.iter().flatten().find(|(of, _)| *of != Some(visit)).map(|(_, ms)| *ms)
    }
}
