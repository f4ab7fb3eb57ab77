//! One slot as the office decides on it: the readings side by side, the range they are held against, and what was ruled.

use std::collections::BTreeMap;
use std::sync::Arc;

use serde::Serialize;
use sha2::{Digest, Sha256};
use shared::bracket::Bracket;
use shared::bytes::Bytes32;
use shared::engine_card::{EngineCard, Range, Source};
use shared::ids::{DocId, RecordId};
use shared::length::LengthUnit;
use shared::record::{Body, Decision};
use shared::slot::Slot;

use super::ContestedSlot;
use super::names::Names;
use crate::engine::BookError;
use crate::judge::ledger::Ledger;
use crate::judge::standing::{Standing, State};
use crate::queries::Reader;

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
    /// Names the records that a ruling made on this sheet weighs, those beyond what it shows too: see [`weighed`].
    pub weighed: Bytes32,
}

/// A name for the records that a ruling on a slot weighs: SHA-256 over their ids, in order. Another one once any comes or goes.
#[must_use]
pub fn weighed(standing: &Standing) -> Bytes32 {
    let mut ids: Vec<RecordId> = standing.contenders.iter().copied().chain(standing.aside.iter().map(|aside| aside.id)).collect();
    ids.extend(&standing.rulings);
    ids.sort_unstable();
    let mut hash = Sha256::new();
    ids.iter().for_each(|id| hash.update(id.as_bytes()));
    Bytes32(hash.finalize().into())
}

/// What all sheets of one document's slots go by.
struct Ground {
    doc: DocId,
    title: String,
    ledger: Arc<Ledger>,
    of_machine: bool,
    /// The machine's engine card, where it names its source.
    card: Option<EngineCard>,
}

impl Reader<'_> {
    /// One slot with all that a ruling goes by.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where nothing speaks about the slot.
    pub fn slot_sheet(&self, doc: DocId, slot: &Slot, unit: LengthUnit) -> Result<SlotSheet, BookError> {
        let unknown = || BookError::Unknown(format!("nothing is stated about {}", slot.words()));
        let standing = self.book.store.projections().standing(doc, slot)?.ok_or_else(unknown)?;
        self.sheet_of(&standing, &self.ground_of(doc, &mut Names::default())?, unit)
    }

    fn ground_of(&self, doc: DocId, names: &mut Names) -> Result<Ground, BookError> {
        let title = names.title(self.book, doc)?;
        let machine = self.book.store.machine_rows().machine(doc)?;
        let card = machine
            .as_ref()
            .map(|row| self.book.machines().card_of(&row.state))
            .transpose()?
            .flatten()
            .filter(|card| card.source.is_some());
        Ok(Ground { doc, title, ledger: self.book.store.records().ledger_of(doc)?, of_machine: machine.is_some(), card })
    }

    fn sheet_of(&self, standing: &Standing, ground: &Ground, unit: LengthUnit) -> Result<SlotSheet, BookError> {
        let ledger = &*ground.ledger;
        let side_by_side = self.side_by_side(ground.doc, ground.title.clone(), standing, ledger, unit)?;
        let mut brackets = BTreeMap::new();
        let mut valve = None;
        for reading in &side_by_side.readings {
            if let Some(Body::Clearance(clearance)) = ledger.get(reading.record).map(|entry| &entry.record.body) {
                valve = Some(clearance.valve);
                brackets.extend(clearance.bracket().ok().map(|bracket| (reading.record, bracket)));
            }
        }
        let card = ground.card.as_ref().filter(|_| valve.is_some());
        Ok(SlotSheet {
            state: standing.state,
            wants_ruling: standing.wants_ruling(),
            ruled: standing.ruling.map(|ruling| self.ruling_words(ruling, ledger)).transpose()?,
            of_machine: ground.of_machine,
            range: card.zip(valve).and_then(|(card, valve)| card.range(valve.side())),
            source: card.and_then(|card| card.source.clone()),
            brackets,
            weighed: weighed(standing),
            side_by_side,
        })
    }

    pub(super) fn ruling_words(&self, ruling: RecordId, ledger: &Ledger) -> Result<String, BookError> {
        let roster = self.book.roster()?;
        let Some(entry) = ledger.get(ruling) else { return Ok("ruled".to_owned()) };
        let Body::Ruling(body) = &entry.record.body else { return Ok("ruled".to_owned()) };
        let decision = match body.decision {
            Decision::Stands(id) => format!("{} stands", super::short(&id)),
            Decision::Recheck => "measure again".to_owned(),
        };
        let reason = if body.reason.is_empty() { String::new() } else { format!(": {}", body.reason) };
        Ok(format!("{} ruled that {decision}{reason}", roster.name(entry.record.by)))
    }
}
