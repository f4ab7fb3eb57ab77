//! What a visit has already: the last reading of a valve and its verdict, and whether the hour meter was read.

use shared::ids::RecordId;
use shared::record::{Body, Clearance, Stage};
use shared::valve::Valve;
use shared::verdict::{Verdict, judge_on_card};
use sync_core::book::BookError;
use sync_core::ledger::Ledger;

use super::Check;
use crate::ask::Halt;

/// The last reading of a valve in the check's visit, and its verdict where there is a card.
pub(super) fn of_valve(check: &Check<'_, '_, '_>, valve: Valve) -> Result<Option<(Stage, Option<Verdict>)>, Halt> {
    let ledger = ledger(check)?;
    let live = live(check, &ledger)?;
    let readings = live.iter().rev().filter_map(|(_, body)| match body {
        Body::Clearance(reading) if reading.valve == valve && reading.visit == Some(check.visit) => Some(reading),
        _ => None,
    });
    let judged = |reading: &Clearance| check.card.as_ref().map(|card| judge_on_card(reading, card));
    Ok(readings.map(|reading| (reading.stage, judged(reading))).next())
}

/// Whether the hour meter was read in the check's visit.
pub(super) fn hours_read(check: &Check<'_, '_, '_>) -> Result<bool, Halt> {
    let ledger = ledger(check)?;
    Ok(live(check, &ledger)?.iter().any(|(_, body)| matches!(body, Body::Hours(hours) if hours.visit == Some(check.visit))))
}

fn ledger(check: &Check<'_, '_, '_>) -> Result<std::sync::Arc<Ledger>, Halt> {
    Ok(check.session.book.store().ledger_of(check.machine).map_err(BookError::from)?)
}

/// What has not been taken back, in the order in which it was written on one device.
fn live<'l>(check: &Check<'_, '_, '_>, ledger: &'l Ledger) -> Result<Vec<(RecordId, &'l Body)>, Halt> {
    let roster = check.session.book.roster()?;
    let live = ledger.entries().map(|entry| &entry.record).filter(|record| ledger.voided_by(record.id, roster).is_none());
    Ok(live.map(|record| (record.id, &record.body)).collect())
}
