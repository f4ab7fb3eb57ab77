//! The engine card that was in force at a time: what a past visit is judged by, whatever the card says today.

use shared::engine_card::EngineCard;
use shared::ids::RecordId;
use shared::record::{Body, Decision};
use shared::slot::Slot;

use super::short;
use crate::book::{Book, BookError};
use crate::ledger::Ledger;
use crate::plausible::{self, Machine};
use crate::roster::Roster;

/// One revision of an engine card.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Revision {
    pub(crate) card: EngineCard,
    record: RecordId,
    since_ms: i64,
}

impl Revision {
    /// "Invented twin of 2026-03-01, record 9c4e5464".
    pub(crate) fn words(&self, roster: &Roster) -> String {
        format!("{} of {}, record {}", self.card.name, roster.day(self.since_ms), short(&self.record))
    }
}

impl Book {
    /// The revision of a machine's engine card that was in force at a time. Where there was none yet, the first one after it: a machine
    /// entered in the field gets its card from the office later.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub(crate) fn revision_at(&self, machine: &Ledger, at_ms: i64) -> Result<Option<Revision>, BookError> {
        let roster = self.roster()?;
        let named = in_force(machine, &Slot("machine".to_owned()), roster, at_ms, |body| match body {
            Body::Machine(card) => card.engine_card,
            _ => None,
        });
        let Some((_, _, id)) = named else { return Ok(None) };
        let engines = self.store.ledger_of(self.identity()?.root.shop.engines())?;
        let card = in_force(&engines, &Slot(format!("card/{id}")), roster, at_ms, |body| match body {
            Body::EngineCard(card) => Some(EngineCard::clone(card)),
            _ => None,
        });
        Ok(card.map(|(since_ms, record, card)| Revision { card, record, since_ms }))
    }
}

/// Of what was stated in a slot, the last up to a time; where there is none, the first after it. With when it came into force.
fn in_force<T>(ledger: &Ledger, slot: &Slot, roster: &Roster, at_ms: i64, of: impl Fn(&Body) -> Option<T>) -> Option<(i64, RecordId, T)> {
    let mut stated: Vec<(i64, RecordId, T)> = ledger
        .in_slot(slot)
        .iter()
        .filter(|id| ledger.voided_by(**id, roster).is_none())
        .filter_map(|id| Some((since(*id, ledger, slot, roster)?, *id, of(&ledger.get(*id)?.record.body)?)))
        .collect();
    stated.sort_by_key(|(since_ms, id, _)| (*since_ms, *id));
    let until = stated.partition_point(|(since_ms, ..)| *since_ms <= at_ms);
    stated.into_iter().nth(until.saturating_sub(1))
}

/// When a statement came into force: as it was made, or as a ruling let it in; `None` where it never did.
fn since(id: RecordId, ledger: &Ledger, slot: &Slot, roster: &Roster) -> Option<i64> {
    if plausible::doubt(id, ledger, roster, &Machine::default()).is_none() {
        return Some(ledger.time(id).ms);
    }
    let lets_in = |body: &Body| matches!(body, Body::Ruling(ruling) if ruling.slot == *slot && ruling.decision == Decision::Stands(id));
    let rulings = ledger.entries().filter(|entry| lets_in(&entry.record.body));
    rulings.filter(|ruling| ledger.voided_by(ruling.record.id, roster).is_none()).map(|ruling| ledger.time(ruling.record.id).ms).min()
}
