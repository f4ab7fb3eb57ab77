//! The engine card that was in force at a time: what a past visit is judged by, whatever the card says today.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use shared::engine_card::EngineCard;
use shared::ids::{CardId, RecordId};
use shared::record::Body;
use shared::slot::Slot;

use super::short;
use crate::engine::BookError;
use crate::judge::ledger::Ledger;
use crate::judge::plausible::{self, Machine};
use crate::judge::roster::Roster;
use crate::judge::ruling;
use crate::judge::standing::live;
use crate::queries::MachineReader;

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

/// The engine cards of a machine over time, laid out once for all its visits.
pub(super) struct Revisions {
    engines: Arc<Ledger>,
    /// Which card the machine's own named, by when that came into force.
    named: Vec<(i64, CardId)>,
    /// Of each of those, what was stated of it, by when that came into force.
    stated: BTreeMap<CardId, Vec<(i64, RecordId)>>,
}

impl MachineReader<'_> {
    /// The engine cards of a machine over time.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub(super) fn revisions(&self, machine: &Ledger) -> Result<Revisions, BookError> {
        let roster = self.book.roster()?;
        let engines = self.book.store.records().ledger_of(self.book.identity()?.root.shop.engines())?;
        let card_of = |id| match machine.get(id).map(|entry| &entry.record.body) {
            Some(Body::Machine(card)) => card.engine_card,
            _ => None,
        };
        let cards = in_force(machine, &Slot::Machine, roster);
        let named: Vec<(i64, CardId)> = cards.into_iter().filter_map(|(since_ms, id)| Some((since_ms, card_of(id)?))).collect();
        let ids: BTreeSet<CardId> = named.iter().map(|(_, id)| *id).collect();
        let stated = ids.into_iter().map(|id| (id, in_force(&engines, &Slot::EngineCard(id), roster))).collect();
        Ok(Revisions { engines, named, stated })
    }
}

impl Revisions {
    /// The revision that was in force at a time. Where there was none yet, the first one after it: a machine entered in the field gets
    /// its card from the office later.
    pub(super) fn at(&self, at_ms: i64) -> Option<Revision> {
        let (_, card) = last_up_to(&self.named, at_ms)?;
        let (since_ms, record) = last_up_to(self.stated.get(&card)?, at_ms)?;
        match &self.engines.get(record)?.record.body {
            Body::EngineCard(card) => Some(Revision { card: EngineCard::clone(card), record, since_ms }),
            _ => None,
        }
    }
}

/// The last up to a time; where there is none, the first after it.
fn last_up_to<T: Copy>(in_time: &[(i64, T)], at_ms: i64) -> Option<(i64, T)> {
    let until = in_time.partition_point(|(since_ms, _)| *since_ms <= at_ms);
    in_time.get(until.saturating_sub(1)).copied()
}

/// What was stated in a slot, in the order in which it came into force: as it was made, or as a ruling let it in.
fn in_force(ledger: &Ledger, slot: &Slot, roster: &Roster) -> Vec<(i64, RecordId)> {
    let mut let_in: BTreeMap<RecordId, i64> = BTreeMap::new();
    for ruling in ruling::with_right(slot, ledger, roster) {
        let ruled_ms = ledger.time(ruling).ms;
        for picked in ruling::picked(&[ruling], ledger) {
            let_in.entry(picked).and_modify(|ms| *ms = ruled_ms.min(*ms)).or_insert(ruled_ms);
        }
    }
    let since = |id: RecordId| match plausible::doubt(id, ledger, roster, &Machine::default()) {
        None => Some(ledger.time(id).ms),
        Some(_) => let_in.get(&id).copied(),
    };
    let mut stated: Vec<(i64, RecordId)> = live(slot, ledger, roster).into_iter().filter_map(|id| Some((since(id)?, id))).collect();
    stated.sort_unstable();
    stated
}
