//! Whether a valve was set between two readings of it, in two visits: then they speak of two states of the engine.

use shared::ids::RecordId;
use shared::record::{Body, Clearance, Stage};
use sync_core::judge::ledger::Entry;

use super::facts::{Facts, leaves_can_be};

fn reading(entry: &Entry) -> Option<&Clearance> {
    match &entry.record.body {
        Body::Clearance(body) if leaves_can_be(body) => Some(body),
        _ => None,
    }
}

impl Facts<'_> {
    /// The first's visit left the valve, then the second's visit began with it, by clocks that can tell; and the adjuster was turned
    /// in the first's visit after the first, or in the second's up to the second. What the measurers say of their own visits counts.
    pub(super) fn was_set_between(&self, first: &Entry, second: &Entry) -> bool {
        let (Some(one), Some(other)) = (reading(first), reading(second)) else { return false };
        let Some(visit) = one.visit else { return false };
        if other.visit == Some(visit) || one.valve != other.valve {
            return false;
        }
        let of_visit = |of: Option<RecordId>, entry: &Entry| -> Vec<&Entry> {
            let belongs = |e: &Entry| {
                let same = reading(e).is_some_and(|read| read.valve == one.valve && read.visit.is_some() && read.visit == of);
                e.record.id == entry.record.id || (same && e.record.measurer() == entry.record.measurer())
            };
            self.entries.iter().filter(|e| self.is_live(e) && belongs(e)).collect()
        };
        let stage = |e: &Entry| reading(e).map(|read| read.stage);
        let turned = |e: &Entry| reading(e).is_some_and(|read| read.adjusted);
        // Neither after it in the order of the work, nor by the clock.
        let up_to = |a: &Entry, b: &Entry| stage(a) <= stage(b) && self.at(a) <= self.at(b);
        let (firsts, seconds) = (of_visit(Some(visit), first), of_visit(other.visit, second));
        let Some(begun) = seconds.iter().min_by_key(|e| (self.at(e), e.record.id)) else { return false };
        firsts.iter().filter(|left| stage(left) == Some(Stage::Left) && up_to(first, left)).any(|left| {
            let clocks_tell = self.at(begun) - self.at(left) > self.off_by(left) + self.off_by(begun);
            let in_first = firsts.iter().any(|e| e.record.id != first.record.id && turned(e) && up_to(first, e) && up_to(e, left));
            let in_second = seconds.iter().any(|e| turned(e) && up_to(e, second));
            clocks_tell && (in_first || in_second)
        })
    }
}
