//! Changes of a machine's hour meter: which notes are of one change, and what stands of each.
//!
//! All notes are of one slot. The latest note and those within the conflict window before it are of one change; of the rest the
//! same is asked again. By when the meter was changed, not by when that was noted: somebody may note it days later.

use std::collections::{BTreeMap, BTreeSet};

use shared::ids::RecordId;
use shared::meter::MeterSwap;
use shared::record::Body;
use shared::slot::Slot;

use crate::judge::ledger::Ledger;
use crate::judge::plausible::Machine;
use crate::judge::roster::Roster;
use crate::judge::ruling;
use crate::judge::standing::{Judged, Standing, live};

/// What stands of each change, the earliest first; of none where no change is noted.
pub(crate) fn of(ledger: &Ledger, roster: &Roster) -> Vec<Standing> {
    let slot = Slot::MeterChanges;
    let mut on: BTreeMap<RecordId, Vec<RecordId>> = BTreeMap::new();
    for id in ruling::with_right(&slot, ledger, roster) {
        if let Some(Body::Ruling(ruling)) = ledger.get(id).map(|e| &e.record.body) {
            ruling.of.iter().for_each(|note| on.entry(*note).or_default().push(id));
        }
    }
    let window_ms = roster.settings.conflict_window_ms();
    let mut notes: Vec<(i64, RecordId)> =
        live(&slot, ledger, roster).into_iter().filter_map(|id| swap(id, ledger).map(|swap| (swap.at_ms, id))).collect();
    notes.sort_unstable();
    let mut changes = Vec::new();
    while let Some((latest, _)) = notes.last() {
        let oldest = latest.saturating_sub(window_ms);
        let of_one = notes.split_off(notes.partition_point(|(at_ms, _)| *at_ms < oldest));
        let live: Vec<RecordId> = of_one.into_iter().map(|(_, id)| id).collect::<BTreeSet<_>>().into_iter().collect();
        // A ruling on another change says nothing of this one, and does not replace what was ruled on it.
        let rulings: BTreeSet<RecordId> = live.iter().filter_map(|note| on.get(note)).flatten().copied().collect();
        let rulings = ledger.tips_among(&rulings.into_iter().collect::<Vec<_>>());
        let judged = Judged { slot: &slot, live: &live, rulings: &rulings, window_ms: None };
        changes.push(judged.stands(&Machine::default(), ledger, roster));
    }
    changes.reverse();
    changes
}

/// How the slot of all changes stands: as the latest change that wants a ruling, else as the latest. What is noted of the others is
/// history beside it.
pub(crate) fn shown(mut changes: Vec<Standing>) -> Standing {
    let wanting = changes.iter().rposition(Standing::wants_ruling);
    let Some(at) = wanting.or_else(|| changes.len().checked_sub(1)) else { return Standing::empty(Slot::MeterChanges) };
    let mut shown = changes.remove(at);
    shown.outdated.extend(changes.iter().flat_map(Standing::open_ends));
    shown.outdated.sort_unstable();
    shown
}

/// The changes that count, the earliest first.
pub(crate) fn counting(ledger: &Ledger, roster: &Roster) -> Vec<MeterSwap> {
    of(ledger, roster).iter().filter_map(|change| swap(change.stands?, ledger)).collect()
}

fn swap(id: RecordId, ledger: &Ledger) -> Option<MeterSwap> {
    match &ledger.get(id)?.record.body {
        Body::MeterChange(change) => {
            Some(MeterSwap { at_ms: change.changed_ms.unwrap_or_else(|| ledger.time(id).ms), old: change.old, new: change.new })
        }
        _ => None,
    }
}
