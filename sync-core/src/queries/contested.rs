//! Contested slots: the readings side by side, and why the pick stands meanwhile.

use serde::Serialize;
use shared::ids::{DocId, RecordId};
use shared::length::LengthUnit;
use shared::slot::Slot;

use super::bounds::{MOST_READINGS, MOST_SLOTS, none};
use super::names::Names;
use super::{describe, short};
use crate::engine::BookError;
use crate::judge::ledger::Ledger;
use crate::judge::reason::Doubt;
use crate::judge::standing::Standing;
use crate::judge::words::apart;
use crate::queries::Reader;

/// One of the readings in question.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct ContestedReading {
    /// Which.
    pub record: RecordId,
    /// How people name it.
    pub short: String,
    /// Who measured.
    pub by: String,
    /// In which role.
    pub role: String,
    /// What it says.
    pub words: String,
    /// Corrected time, ms since 1970 UTC.
    pub at_ms: i64,
    /// That, as the shop's clock shows it, and by which clock it is known.
    pub when: String,
    /// It stands meanwhile.
    pub stands: bool,
    /// It never stands by itself, and why.
    pub aside: Option<String>,
}

/// One of the rulings that contradict each other.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct ContestedRuling {
    /// Which.
    pub record: RecordId,
    /// How people name it.
    pub short: String,
    /// Who ruled what, and why.
    pub words: String,
    /// Corrected time, as the shop's clock shows it.
    pub when: String,
    /// It counts meanwhile.
    pub counts: bool,
}

/// A slot that wants a ruling.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct ContestedSlot {
    /// Its document.
    pub doc: DocId,
    /// What the document is: a machine's tag, or another name.
    pub title: String,
    /// The slot.
    pub slot: Slot,
    /// The slot in words.
    pub slot_words: String,
    /// Why the pick stands.
    pub reason: String,
    /// The clocks cannot tell which came first.
    pub order_unknown: bool,
    /// The readings: the one that stands, then the latest first, as many as are shown at a time.
    pub readings: Vec<ContestedReading>,
    /// How many more there are.
    #[serde(default, skip_serializing_if = "none")]
    pub more: usize,
    /// Rulings that contradict each other: a new one settles it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub rulings: Vec<ContestedRuling>,
}

/// A record that contends, or one that is set aside, and why.
type Named<'s> = (RecordId, Option<&'s Doubt>);

impl Reader<'_> {
    /// Slots that want a ruling, as many as are shown at a time.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn contested(&self, unit: LengthUnit) -> Result<Vec<ContestedSlot>, BookError> {
        let mut slots = Vec::new();
        let mut names = Names::default();
        for (doc, standing) in self.book.store.projections().open_slots(MOST_SLOTS)? {
            let ledger = self.book.store.records().ledger_of(doc)?;
            slots.push(self.side_by_side(doc, names.title(self.book, doc)?, &standing, &ledger, unit)?);
        }
        Ok(slots)
    }

    /// One slot with its readings side by side, contested or not.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where nothing speaks about the slot.
    pub fn slot_view(&self, doc: DocId, slot: &Slot, unit: LengthUnit) -> Result<ContestedSlot, BookError> {
        let standing = self
            .book
            .store
            .projections()
            .standing(doc, slot)?
            .ok_or_else(|| BookError::Unknown(format!("nothing is stated about {}", slot.words())))?;
        self.side_by_side(doc, self.title(doc)?, &standing, &*self.book.store.records().ledger_of(doc)?, unit)
    }

    pub(super) fn side_by_side(
        &self,
        doc: DocId,
        title: String,
        standing: &Standing,
        ledger: &Ledger,
        unit: LengthUnit,
    ) -> Result<ContestedSlot, BookError> {
        let mut named: Vec<Named<'_>> = Vec::with_capacity(standing.contenders.len() + standing.aside.len());
        named.extend(standing.contenders.iter().map(|id| (*id, None)));
        named.extend(standing.aside.iter().map(|aside| (aside.id, Some(&aside.why))));
        // The one that stands first, then the latest: what is cut off is the oldest.
        named.sort_by_cached_key(|(id, _)| (standing.stands != Some(*id), std::cmp::Reverse(ledger.time(*id).ms)));
        let more = named.len().saturating_sub(MOST_READINGS);
        let mut readings = Vec::with_capacity(named.len().min(MOST_READINGS));
        for (id, why) in named.into_iter().take(MOST_READINGS) {
            readings.extend(self.contested_reading(ledger, id, why.map(ToString::to_string), standing, unit)?);
        }
        Ok(ContestedSlot {
            doc,
            title,
            slot: standing.slot.clone(),
            slot_words: standing.slot.words(),
            reason: standing.reason.to_string(),
            order_unknown: standing.order_unknown,
            readings,
            more,
            rulings: standing.rulings.iter().map(|id| self.contested_ruling(*id, standing, ledger)).collect::<Result<_, _>>()?,
        })
    }

    fn contested_ruling(&self, id: RecordId, standing: &Standing, ledger: &Ledger) -> Result<ContestedRuling, BookError> {
        Ok(ContestedRuling {
            record: id,
            short: short(&id),
            words: self.ruling_words(id, ledger)?,
            when: self.book.roster()?.local(ledger.time(id).ms),
            counts: standing.ruling == Some(id),
        })
    }

    fn contested_reading(
        &self,
        ledger: &Ledger,
        id: RecordId,
        aside: Option<String>,
        standing: &Standing,
        unit: LengthUnit,
    ) -> Result<Option<ContestedReading>, BookError> {
        let roster = self.book.roster()?;
        let Some(entry) = ledger.get(id) else { return Ok(None) };
        let time = ledger.time(id);
        let moved = time.ms - entry.record.at_ms;
        let when = if moved == 0 {
            format!("{} by the device's clock", roster.local(time.ms))
        } else {
            format!("{}; the device's clock showed {} ({} off)", roster.local(time.ms), roster.local(entry.record.at_ms), apart(moved))
        };
        Ok(Some(ContestedReading {
            record: id,
            short: short(&id),
            by: roster.name(entry.record.measurer()),
            role: roster.role_at(entry.record.by, time.ms).map_or("no role", shared::role::Role::name).to_owned(),
            words: describe(&entry.record.body, unit, roster),
            at_ms: time.ms,
            when,
            stands: standing.stands == Some(id),
            aside,
        }))
    }

    /// What a document is called on screens.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn title(&self, doc: DocId) -> Result<String, BookError> {
        let shop = self.book.identity()?.root.shop;
        if doc == shop.roster() {
            return Ok("the roster".to_owned());
        }
        if doc == shop.engines() {
            return Ok("engine cards".to_owned());
        }
        if doc == shop.days() {
            return Ok("closed days".to_owned());
        }
        if let Some(tag) = self.book.store.machine_rows().tag_of(doc)? {
            return Ok(tag);
        }
        Ok(self.property(shared::ids::PropertyId(doc.0))?.map_or_else(|| format!("document {}", short(&doc)), |p| p.name))
    }
}
