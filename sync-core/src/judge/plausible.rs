//! What never stands by itself: readings that cannot be, and proposals that are the office's to accept.

use shared::ids::RecordId;
use shared::leaf::THICKEST_LEAF;
use shared::record::{Body, Clearance, MachineCard};
use shared::slot::Slot;

use crate::judge::hours::MachineHours;
use crate::judge::ledger::Ledger;
use crate::judge::permissions;
use crate::judge::reason::Doubt;
use crate::judge::roster::Roster;

/// What the judging of a slot needs to know of the machine.
#[derive(Debug, Clone, Default)]
pub struct Machine {
    /// Its hours, for the hour meter's slot.
    pub hours: Option<MachineHours>,
    /// How many cylinders its engine has, for clearances.
    pub cylinders: Option<u8>,
}

/// Why a record does not stand by itself; `None` where it may.
#[must_use]
pub fn doubt(id: RecordId, ledger: &Ledger, roster: &Roster, machine: &Machine) -> Option<Doubt> {
    let entry = ledger.get(id)?;
    if let Err(denied) = permissions::had_right(entry, ledger, roster) {
        return Some(Doubt::NoRight { denied });
    }
    let role = roster.role_at(entry.record.by, ledger.time(id).ms);
    if permissions::proposes(&entry.record, role) {
        return Some(Doubt::Proposed);
    }
    match &entry.record.body {
        Body::Clearance(reading) => clearance(reading, machine.cylinders),
        Body::Hours(_) => machine.hours.as_ref().and_then(|h| h.doubt(id)),
        _ => None,
    }
}

/// Why a clearance reading cannot be.
#[must_use]
pub fn clearance(reading: &Clearance, cylinders: Option<u8>) -> Option<Doubt> {
    if let Some(leaf_tenth_um) = [reading.go, reading.no_go].into_iter().flatten().find(|leaf| *leaf > THICKEST_LEAF) {
        return Some(Doubt::ThickLeaf { leaf_tenth_um });
    }
    let cylinders = cylinders?;
    (reading.valve.cylinder() > cylinders).then_some(Doubt::NoSuchValve { valve: reading.valve, cylinders })
}

/// How many cylinders the machine's own card gives its engine. Taken from the latest live card, so that judging a
/// reading never waits for the judging of the card.
#[must_use]
pub fn cylinders(ledger: &Ledger, roster: &Roster) -> Option<u8> {
    machine_card(ledger, roster).and_then(|card| card.cylinders)
}

fn machine_card<'a>(ledger: &'a Ledger, roster: &Roster) -> Option<&'a MachineCard> {
    let standing = crate::judge::standing::stands(&Slot::Machine, ledger, roster);
    match &ledger.get(standing.stands?)?.record.body {
        Body::Machine(card) => Some(card),
        _ => None,
    }
}
