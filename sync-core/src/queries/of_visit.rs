//! The readings of one visit, as they follow one another.

use shared::engine_card::EngineCard;
use shared::ids::RecordId;
use shared::record::{Body, Clearance};
use shared::valve::Valve;
use shared::verdict::gross_on_card;

use crate::judge::ledger::Ledger;
use crate::judge::roster::Roster;

/// Whether a reading was asked about before it was taken: the one before it in the visit, of the same valve and stage, was as far off,
/// and in the same way. Off in another way, other things are to be looked at.
pub(crate) fn was_asked(ledger: &Ledger, roster: &Roster, id: RecordId, reading: &Clearance, card: &EngineCard) -> bool {
    let Some(visit) = reading.visit else { return false };
    let before = readings_of(ledger, roster, visit, reading.valve).take_while(|(other, _)| *other != id).last();
    before.is_some_and(|(_, before)| before.stage == reading.stage && gross_on_card(before, card) == gross_on_card(reading, card))
}

/// The readings of a valve in a visit that were not taken back, in the order in which they were written on one device.
pub(crate) fn readings_of<'l>(
    ledger: &'l Ledger,
    roster: &Roster,
    visit: RecordId,
    valve: Valve,
) -> impl Iterator<Item = (RecordId, &'l Clearance)> {
    of_visit(ledger, roster, visit).filter(move |(_, reading)| reading.valve == valve)
}

/// The same of every valve.
pub(crate) fn of_visit<'l>(ledger: &'l Ledger, roster: &Roster, visit: RecordId) -> impl Iterator<Item = (RecordId, &'l Clearance)> {
    let readings = ledger.entries().filter_map(move |entry| match &entry.record.body {
        Body::Clearance(reading) if reading.visit == Some(visit) => Some((entry.record.id, reading)),
        _ => None,
    });
    readings.filter(|(id, _)| ledger.voided_by(*id, roster).is_none())
}
