//! Days that were closed: by whom, over what, what came for them since, and how the book stood that evening.

use std::sync::Arc;

use jiff::ToSpan;
use jiff::civil::Date;
use serde::Serialize;
use shared::ids::{DocId, RecordId};
use shared::length::LengthUnit;
use shared::record::{Body, DayClosed, DayCounts};
use shared::slot::Slot;

use super::{describe, short};
use crate::book::{Book, BookError};
use crate::clock::{Receipt, correct};
use crate::ledger::Ledger;
use crate::roster::Roster;
use crate::standing::{State, stands};

/// A device's own clock may be off by so much before a record of a closed day is no longer looked for.
const CLOCK_OFF_BY_MS: i64 = 2 * 86_400_000;
/// The most late arrivals that are listed for one day.
const MOST_LATE: usize = 200;

/// A record of a closed day that came after the closing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct LateLine {
    /// Which.
    pub record: RecordId,
    /// How people name it.
    pub short: String,
    /// Its document.
    pub doc: DocId,
    /// What the document is called.
    pub title: String,
    /// Who stated it.
    pub by: String,
    /// What it says.
    pub words: String,
    /// When it was written, as the shop's clock shows it.
    pub when: String,
    /// When it came, as the shop's clock shows it.
    pub came: String,
}

/// A day that the office closed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct ClosedDay {
    /// The day, in the shop's zone.
    #[cfg_attr(feature = "schema", schema(value_type = String, format = Date))]
    pub day: Date,
    /// The closing: its first part.
    pub record: RecordId,
    /// How people name it.
    pub short: String,
    /// Who closed.
    pub by: String,
    /// Corrected time of the closing, ms since 1970 UTC.
    pub at_ms: i64,
    /// That, as the shop's clock shows it.
    pub when: String,
    /// What there was.
    pub counts: DayCounts,
    /// Why something was left open; empty where nothing was.
    pub left_open: String,
    /// Documents that had moved since the closing before.
    pub covers: usize,
    /// What came for the day since, oldest first; a bounded list.
    pub late: Vec<LateLine>,
}

/// One slot as it stood on an evening.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct EveningLine {
    /// The slot in words.
    pub slot_words: String,
    /// How it stood.
    pub state: State,
    /// What stood, in words; empty where nothing did.
    pub words: String,
    /// Who stated that.
    pub by: String,
    /// It reads otherwise now.
    pub changed_since: bool,
}

/// A document as it stood when a day was closed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Evening {
    /// The day.
    #[cfg_attr(feature = "schema", schema(value_type = String, format = Date))]
    pub day: Date,
    /// When it was closed, as the shop's clock shows it.
    pub when: String,
    /// The document.
    pub doc: DocId,
    /// What it is called now.
    pub title: String,
    /// Its readings, in the order of their slots.
    pub lines: Vec<EveningLine>,
}

/// A closing's first part.
pub(crate) fn closing_in(ledger: &Ledger, id: RecordId) -> Option<&DayClosed> {
    match &ledger.get(id)?.record.body {
        Body::DayClosed(closing) if closing.part == 1 => Some(closing),
        _ => None,
    }
}

/// Every part of the closing whose first part this is.
pub(crate) fn parts_in(ledger: &Ledger, first: RecordId) -> Vec<&DayClosed> {
    let Some((entry, closing)) = ledger.get(first).zip(closing_in(ledger, first)) else { return Vec::new() };
    let same = |other: &DayClosed| (other.day, other.position, other.parts) == (closing.day, closing.position, closing.parts);
    ledger
        .entries()
        .filter(|other| other.device == entry.device)
        .filter_map(|other| match &other.record.body {
            Body::DayClosed(part) if same(part) => Some(part.as_ref()),
            _ => None,
        })
        .collect()
}

impl Book {
    /// The closings that stand, latest day first, at most so many.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn closed_days(&self, most: usize, unit: LengthUnit) -> Result<Vec<ClosedDay>, BookError> {
        let mut standing: Vec<(Date, RecordId)> = self.standing_closings()?;
        standing.sort_unstable();
        let ledger = self.days_ledger()?;
        standing.iter().rev().take(most).map(|(_, id)| self.closed_day_of(&ledger, *id, unit)).collect()
    }

    /// The closing of a day that stands; `None` while it is open.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn closed_day(&self, day: Date, unit: LengthUnit) -> Result<Option<ClosedDay>, BookError> {
        let doc = self.identity()?.root.shop.days();
        let standing = self.store.standing(doc, &Slot::day(day, 1))?.and_then(|s| s.stands);
        let ledger = self.days_ledger()?;
        standing.filter(|id| closing_in(&ledger, *id).is_some()).map(|id| self.closed_day_of(&ledger, id, unit)).transpose()
    }

    /// How a document stood when a day was closed: what the office could know that evening, and no more.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the day is not closed, or the closing covers no such document.
    pub fn evening(&self, day: Date, doc: DocId, unit: LengthUnit) -> Result<Evening, BookError> {
        let closed = self.closed_day(day, unit)?.ok_or_else(|| BookError::Unknown(format!("{day} is not closed")))?;
        let covered = self.covered_by(closed.record)?;
        let heads = covered.get(&doc).ok_or_else(|| BookError::Unknown(format!("the closing of {day} covers no such document")))?;
        let root = self.identity()?.root;
        let at = |doc: DocId, heads: &[shared::bytes::Bytes32]| match self.store.document(doc)? {
            Some(row) => self.store.ledger_at(row.num, heads),
            None => Ok(Ledger::default()),
        };
        let roster = match covered.get(&root.shop.roster()) {
            Some(heads) => Roster::build(root, &at(root.shop.roster(), heads)?),
            None => Roster::empty(root),
        };
        let ledger = at(doc, heads)?;
        let mut lines = Vec::new();
        for slot in ledger.slots().filter(|slot| is_reading(slot)) {
            let then = stands(slot, &ledger, &roster);
            let entry = then.stands.and_then(|id| ledger.get(id));
            let now = self.store.standing(doc, slot)?;
            lines.push(EveningLine {
                slot_words: slot.words(),
                state: then.state,
                words: entry.map_or_else(String::new, |e| describe(&e.record.body, unit, &roster)),
                by: entry.map_or_else(String::new, |e| roster.name(e.record.measurer())),
                changed_since: now.is_none_or(|now| (now.stands, now.state) != (then.stands, then.state)),
            });
        }
        Ok(Evening { day, when: closed.when, doc, title: self.title(doc)?, lines })
    }

    /// The first part of the closing that was made last.
    pub(crate) fn last_closing(&self) -> Result<Option<RecordId>, BookError> {
        let ledger = self.days_ledger()?;
        let standing = self.standing_closings()?;
        Ok(standing.into_iter().map(|(_, id)| id).max_by_key(|id| (ledger.time(*id).ms, *id)))
    }

    fn days_ledger(&self) -> Result<Arc<Ledger>, BookError> {
        Ok(self.store.ledger_of(self.identity()?.root.shop.days())?)
    }

    fn standing_closings(&self) -> Result<Vec<(Date, RecordId)>, BookError> {
        let doc = self.identity()?.root.shop.days();
        let first = |slot: &Slot| slot.0.strip_prefix("day/")?.strip_suffix("/1")?.parse::<Date>().ok();
        Ok(self.store.standings(doc)?.into_iter().filter_map(|s| Some((first(&s.slot)?, s.stands?))).collect())
    }

    fn closed_day_of(&self, ledger: &Ledger, id: RecordId, unit: LengthUnit) -> Result<ClosedDay, BookError> {
        let roster = self.roster()?;
        let (entry, closing) =
            ledger.get(id).zip(closing_in(ledger, id)).ok_or_else(|| BookError::Defect("a closing that stands is none".to_owned()))?;
        let at_ms = ledger.time(id).ms;
        Ok(ClosedDay {
            day: closing.day,
            record: id,
            short: short(&id),
            by: roster.name(entry.record.by),
            at_ms,
            when: roster.local(at_ms),
            counts: closing.counts,
            left_open: closing.left_open.clone(),
            covers: parts_in(ledger, id).iter().map(|part| part.covers.len()).sum(),
            late: self.late_for(closing.day, at_ms, unit)?,
        })
    }

    /// What was written on a day and came after it was closed, be it work done before the closing or after it.
    fn late_for(&self, day: Date, closed_ms: i64, unit: LengthUnit) -> Result<Vec<LateLine>, BookError> {
        let roster = self.roster()?;
        let from = roster.day_start_ms(day);
        let until = day.checked_add(1.day()).map_or(i64::MAX, |next| roster.day_start_ms(next));
        let around = (from.saturating_sub(CLOCK_OFF_BY_MS), until.saturating_add(CLOCK_OFF_BY_MS));
        let mut late = Vec::new();
        for held in self.store.received_after(closed_ms, around.0, around.1)? {
            let record = &held.entry.record;
            let receipt = held.received_ms.map(|at_ms| Receipt { at_ms, skew_ms: 0, uncertainty_ms: 0, of_writer: true, released: false });
            let written = correct(record, receipt.as_ref()).ms;
            let counts = (from..until).contains(&written) && held.entry.device != roster.root.device;
            if counts && !matches!(record.body, Body::DayClosed(_)) && late.len() < MOST_LATE {
                late.push(LateLine {
                    record: record.id,
                    short: short(&record.id),
                    doc: held.doc,
                    title: self.title(held.doc)?,
                    by: roster.name(record.measurer()),
                    words: describe(&record.body, unit, roster),
                    when: roster.local(written),
                    came: held.received_ms.map_or_else(String::new, |ms| roster.local(ms)),
                });
            }
        }
        Ok(late)
    }
}

/// Slots that say how the machine was, and not what is kept about the book itself.
fn is_reading(slot: &Slot) -> bool {
    !["ruling/", "void/"].iter().any(|kept| slot.0.starts_with(kept))
}
