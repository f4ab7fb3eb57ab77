//! Whether a valve was set between two readings of it: then they speak of two states of the engine, and both can be true.
//!
//! By visits, and by clocks only where these can tell: one reading is of a visit that *left* the valve; the other is of another
//! visit, whose first reading of this valve came after that, by clocks that can tell; and the adjuster was turned in between, in
//! the one visit after its reading, or in the other up to its reading. Only what the readings' own measurers say of their own
//! visits counts. The later reading is later by the clock as well, and so no two are each the earlier.

use std::collections::BTreeSet;

use shared::ids::{PersonId, RecordId};
use shared::record::{Body, Stage};
use shared::slot::Slot;
use shared::valve::Valve;

use crate::clock::Corrected;
use crate::ledger::Ledger;
use crate::plausible;
use crate::roster::Roster;
use crate::standing::{live, order_known};

/// A reading of the valve.
#[derive(Debug, Clone, Copy)]
struct Read {
    id: RecordId,
    stage: Stage,
    adjusted: bool,
    by: PersonId,
    visit: Option<RecordId>,
    time: Corrected,
}

impl Read {
    fn of(id: RecordId, ledger: &Ledger) -> Option<Self> {
        let record = &ledger.get(id)?.record;
        let Body::Clearance(body) = &record.body else { return None };
        plausible::clearance(body, None).is_none().then(|| Self {
            id,
            stage: body.stage,
            adjusted: body.adjusted,
            by: record.measurer(),
            visit: body.visit,
            time: ledger.time(id),
        })
    }

    /// Of the same person's same visit.
    fn is_beside(&self, other: &Self) -> bool {
        self.id == other.id || (self.visit.is_some() && (self.visit, self.by) == (other.visit, other.by))
    }

    /// Not after another of its visit: neither in the order of the work nor by the clock.
    fn is_up_to(&self, other: &Self) -> bool {
        self.stage <= other.stage && self.time.ms <= other.time.ms
    }
}

/// The slots of a valve's readings, each of which says of the others what state of the engine they speak of.
pub(crate) fn slots_of(valve: Valve) -> [Slot; 3] {
    Stage::ALL.map(|stage| Slot::lash(valve, stage))
}

/// Those of some readings of a valve that speak of an earlier state of the engine than another of them.
pub(crate) fn before_it_was_set(contending: &[RecordId], ledger: &Ledger, roster: &Roster) -> BTreeSet<RecordId> {
    let valve = contending.first().filter(|_| contending.len() > 1).and_then(|id| match &ledger.get(*id)?.record.body {
        Body::Clearance(body) => Some(body.valve),
        _ => None,
    });
    let Some(valve) = valve else { return BTreeSet::new() };
    let all = slots_of(valve).into_iter().flat_map(|slot| live(&slot, ledger, roster));
    let all: Vec<Read> = all.filter_map(|id| Read::of(id, ledger)).collect();
    let contending: Vec<&Read> = all.iter().filter(|read| contending.contains(&read.id)).collect();
    let earlier = |read: &&&Read| contending.iter().any(|later| was_set_between(read, later, &all));
    contending.iter().filter(earlier).map(|read| read.id).collect()
}

fn was_set_between(earlier: &Read, later: &Read, all: &[Read]) -> bool {
    if earlier.visit.is_none() || earlier.visit == later.visit {
        return false;
    }
    let first = all.iter().filter(|read| read.is_beside(later)).min_by_key(|read| (read.time.ms, read.id)).unwrap_or(later);
    let left = all.iter().filter(|read| read.stage == Stage::Left && read.is_beside(earlier) && earlier.is_up_to(read));
    let mut left_before = left.filter(|left| left.time.ms < first.time.ms && order_known(left.time, first.time));
    let turned_later = || all.iter().any(|turn| turn.adjusted && turn.is_beside(later) && turn.is_up_to(later));
    let turned_up_to = |left: &Read| {
        let after = |turn: &&Read| turn.id != earlier.id && turn.is_beside(earlier) && earlier.is_up_to(turn) && turn.is_up_to(left);
        all.iter().filter(after).any(|turn| turn.adjusted)
    };
    left_before.any(|left| turned_up_to(left) || turned_later())
}
