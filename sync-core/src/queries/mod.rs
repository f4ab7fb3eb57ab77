//! What people see: plain structures with the words made, for any screen to lay out. Nothing here writes.

pub mod bounds;
mod checks;
mod contested;
mod day_lines;
mod day_sheet;
mod days;
mod due;
mod due_pages;
mod exports;
mod find;
mod finding;
mod history;
mod in_force;
mod lists;
mod machine;
mod matters;
pub(crate) mod names;
mod notes;
pub(crate) mod of_visit;
mod quarantine;
mod reader;
pub mod reckon;
mod record;
mod roster;
mod service;
mod slot_sheet;
mod symptom;
mod teach;

use jiff::civil::Date;
use shared::engine_card::EngineCard;
use shared::ids::{CardId, PropertyId};
use shared::record::{Body, PropertyCard};
use shared::slot::Slot;

pub use checks::{CheckLine, CheckReading, CheckValve};
pub use contested::{ContestedReading, ContestedRuling, ContestedSlot};
pub use day_lines::{AsideLine, DeviceContact, HoldLine, NoteOfDay, PersonCount, RecheckLine, SheetCounts, VisitOfDay};
pub use day_sheet::DaySheet;
pub use days::{ClosedDay, Evening, EveningLine, LateLine};
pub use due::DueLine;
pub use due_pages::{DuePage, DueQuery, RoundPage, RoundStop};
pub use exports::{HoursRow, ReadingRow, RowOrigin, RowPlace, Rows};
pub(crate) use exports::{RowOf, Table, hours_row, reading_row};
pub use finding::{DueFilter, Findable, Only, Order, find};
pub use history::{Fate, HistoryLine, describe};
pub use lists::{MachineLine, PropertyView, RecordView, ShopStatus};
pub use machine::{LashView, MachineMore, MachineView, PhotoLine, VisitView};
pub(crate) use machine::{gross_lash, judge_lash, last_of_visit};
pub use matters::{Matter, MatterKind};
pub use notes::NoteLine;
pub use quarantine::{QuarantineLine, QuarantineView};
pub use reader::{DayReader, Finder, MachineReader, PersonReader, Reader, Reckoner};
pub use record::{NamedRecord, WholeRecord};
pub use roster::{DeviceLine, PersonLine, PropertyLine, ShopFront, Status};
pub use service::{SeasonRecord, ServiceRecord, ServiceValve};
pub use slot_sheet::{SlotSheet, weighed};
pub use symptom::{LookView, SymptomView};
pub use teach::LessonView;

use crate::engine::BookError;
use crate::judge::corrected_time::IGNORED_OFFSET_MS;
use crate::sys::clock::ClockReading;

impl Reader<'_> {
    /// The shop's time as this device knows it: its own clock, corrected where the last contact showed it to be off.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn shop_now_ms(&self, now: &ClockReading) -> Result<i64, BookError> {
        let evidence = self.book.clock_evidence(now)?;
        let offset = evidence.offset_ms.filter(|offset| !evidence.stepped && offset.abs() >= IGNORED_OFFSET_MS).unwrap_or(0);
        Ok(now.wall_ms.saturating_add(offset))
    }

    /// The day in the shop's zone.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn today(&self, now: &ClockReading) -> Result<Date, BookError> {
        Ok(self.book.roster()?.day(self.shop_now_ms(now)?))
    }

    /// The engine card that stands under an id.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn engine_card(&self, card: CardId) -> Result<Option<EngineCard>, BookError> {
        let doc = self.book.identity()?.root.shop.engines();
        Ok(match self.standing_body(doc, &Slot::EngineCard(card))? {
            Some(Body::EngineCard(card)) => Some(*card),
            _ => None,
        })
    }

    /// Every engine card that stands, by name.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn engine_cards(&self) -> Result<Vec<EngineCard>, BookError> {
        let doc = self.book.identity()?.root.shop.engines();
        let ledger = self.book.store.records().ledger_of(doc)?;
        let mut cards = Vec::new();
        for standing in self.book.store.projections().standings(doc)? {
            if let Some(Body::EngineCard(card)) = standing.stands.and_then(|id| ledger.get(id)).map(|entry| &entry.record.body) {
                cards.push(EngineCard::clone(card));
            }
        }
        cards.sort_by(|a, b| (&a.name, a.card).cmp(&(&b.name, b.card)));
        Ok(cards)
    }

    /// A property's card, where it stands in this book.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn property(&self, property: PropertyId) -> Result<Option<PropertyCard>, BookError> {
        Ok(match self.standing_body(property.doc(), &Slot::Property)? {
            Some(Body::Property(card)) => Some(card),
            _ => None,
        })
    }

    pub(crate) fn property_name(&self, property: Option<PropertyId>) -> Result<String, BookError> {
        let Some(property) = property else { return Ok(String::new()) };
        Ok(self.property(property)?.map_or_else(|| format!("property {}", short(&property)), |card| card.name))
    }

    pub(crate) fn standing_body(&self, doc: shared::ids::DocId, slot: &Slot) -> Result<Option<Body>, BookError> {
        let Some(id) = self.book.store.projections().standing(doc, slot)?.and_then(|s| s.stands) else { return Ok(None) };
        Ok(self.book.store.records().held(id)?.map(|h| h.entry.record.body))
    }
}

/// The last eight digits of an id: enough to name it on a screen, where the first ones only tell the time.
#[must_use]
pub fn short(id: &impl std::fmt::Display) -> String {
    let text = id.to_string();
    text[text.len().saturating_sub(8)..].to_owned()
}
