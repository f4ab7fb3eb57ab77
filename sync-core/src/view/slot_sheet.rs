//! One slot as the office decides on it: the readings side by side, the range they are held against, and what was ruled.

use std::collections::BTreeMap;

use serde::Serialize;
use shared::bracket::Bracket;
use shared::engine_card::{Range, Source};
use shared::ids::{DocId, RecordId};
use shared::length::LengthUnit;
use shared::record::{Body, Decision};
use shared::slot::Slot;

use super::ContestedSlot;
use crate::book::{Book, BookError};
use crate::standing::State;

/// One slot with all that a ruling goes by.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct SlotSheet {
    /// The readings side by side.
    #[serde(flatten)]
    pub side_by_side: ContestedSlot,
    /// How the slot stands.
    pub state: State,
    /// It wants a ruling.
    pub wants_ruling: bool,
    /// A ruling has decided it: what it says.
    pub ruled: Option<String>,
    /// The document is a machine.
    pub of_machine: bool,
    /// The range of the engine card, where the slot is a clearance and the card names its source.
    pub range: Option<Range>,
    /// Where the range was read.
    pub source: Option<Source>,
    /// What each clearance reading brackets.
    pub brackets: BTreeMap<RecordId, Bracket>,
}

impl SlotSheet {
    /// The records that a ruling made on this sheet has weighed.
    #[must_use]
    pub fn weighed(&self) -> Vec<RecordId> {
        let mut weighed: Vec<RecordId> = self.side_by_side.readings.iter().map(|reading| reading.record).collect();
        weighed.sort_unstable();
        weighed
    }
}

impl Book {
    /// One slot with all that a ruling goes by.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where nothing speaks about the slot.
    pub fn slot_sheet(&self, doc: DocId, slot: &Slot, unit: LengthUnit) -> Result<SlotSheet, BookError> {
        let side_by_side = self.slot_view(doc, slot, unit)?;
        let unknown = || BookError::Unknown(format!("nothing is stated about {}", slot.words()));
        let standing = self.store.standing(doc, slot)?.ok_or_else(unknown)?;
        let mut brackets = BTreeMap::new();
        let mut valve = None;
        for reading in &side_by_side.readings {
            if let Some(Body::Clearance(clearance)) = self.store.held(reading.record)?.map(|held| held.entry.record.body) {
                valve = Some(clearance.valve);
                brackets.extend(clearance.bracket().ok().map(|bracket| (reading.record, bracket)));
            }
        }
        let machine = self.store.machine(doc)?;
        let card = match (&machine, valve) {
            (Some(row), Some(_)) => self.card_of(&row.state)?.filter(|card| card.source.is_some()),
            _ => None,
        };
        Ok(SlotSheet {
            state: standing.state,
            wants_ruling: standing.wants_ruling(),
            ruled: standing.ruling.map(|ruling| self.ruling_words(ruling)).transpose()?,
            of_machine: machine.is_some(),
            range: card.as_ref().zip(valve).map(|(card, valve)| card.range(valve.side())),
            source: card.and_then(|card| card.source),
            brackets,
            side_by_side,
        })
    }

    fn ruling_words(&self, ruling: RecordId) -> Result<String, BookError> {
        let roster = self.roster()?;
        let Some(held) = self.store.held(ruling)? else { return Ok("ruled".to_owned()) };
        let Body::Ruling(body) = &held.entry.record.body else { return Ok("ruled".to_owned()) };
        let decision = match body.decision {
            Decision::Stands(id) => format!("{} stands", super::short(&id)),
            Decision::Recheck => "measure again".to_owned(),
        };
        let reason = if body.reason.is_empty() { String::new() } else { format!(": {}", body.reason) };
        Ok(format!("{} ruled that {decision}{reason}", roster.name(held.entry.record.by)))
    }
}
