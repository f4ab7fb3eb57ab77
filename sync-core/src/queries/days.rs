//! Days that were closed: by whom, over what, what came for them since, and how the book stood that evening.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::ToSpan;
use jiff::civil::Date;
use serde::Serialize;
use shared::bytes::Bytes32;
use shared::ids::{DeviceId, DocId, RecordId};
use shared::length::LengthUnit;
use shared::record::{Body, DayClosed, DayCounts};
use shared::slot::Slot;

use super::bounds::{MOST_LINES, cut, none};
use super::names::Names;
use super::{describe, short};
use crate::engine::BookError;
use crate::judge::corrected_time::{Receipt, correct};
use crate::judge::ledger::Ledger;
use crate::judge::roster::Roster;
use crate::judge::standing::{Standings, State};
use crate::queries::DayReader;
use crate::store::ReceivedAfter;

/// A device's own clock may be off by so much before a record of a closed day is no longer looked for.
const CLOCK_OFF_BY_MS: i64 = 2 * 86_400_000;

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
    /// That with its weekday, as people say it.
    pub day_words: String,
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
    /// What came for the day since, oldest first, as much as is shown.
    pub late: Vec<LateLine>,
    /// How much more there is.
    #[serde(default, skip_serializing_if = "none")]
    pub late_more: usize,
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
    /// Its readings, in the order of their slots, as many as are shown.
    pub lines: Vec<EveningLine>,
    /// How many more there are.
    #[serde(default, skip_serializing_if = "none")]
    pub more: usize,
}

/// A closing's first part.
pub(crate) fn closing_in(ledger: &Ledger, id: RecordId) -> Option<&DayClosed> {
    match &ledger.get(id)?.record.body {
        Body::DayClosed(closing) if closing.part == 1 => Some(closing),
        _ => None,
    }
}

/// The parts of all closings of a book, by what they have in common; gathered once.
pub(crate) struct Closings<'l> {
    ledger: &'l Ledger,
    parts: BTreeMap<(DeviceId, Date, u64, u32), Vec<&'l DayClosed>>,
}

impl<'l> Closings<'l> {
    pub(crate) fn of(ledger: &'l Ledger) -> Self {
        let mut parts: BTreeMap<_, Vec<&DayClosed>> = BTreeMap::new();
        for entry in ledger.entries() {
            if let Body::DayClosed(part) = &entry.record.body {
                parts.entry((entry.device, part.day, part.position, part.parts)).or_default().push(part);
            }
        }
        Self { ledger, parts }
    }

    /// Every part of the closing whose first part this is.
    pub(crate) fn parts(&self, first: RecordId) -> &[&'l DayClosed] {
        let Some((entry, closing)) = self.ledger.get(first).zip(closing_in(self.ledger, first)) else { return &[] };
        self.parts.get(&(entry.device, closing.day, closing.position, closing.parts)).map_or(&[], Vec::as_slice)
    }
}

impl DayReader<'_> {
    /// The documents that a closing covers, its own and those of the closings before it, with their heads then.
    pub(crate) fn covered_by(&self, closing: RecordId) -> Result<BTreeMap<DocId, Vec<Bytes32>>, BookError> {
        let mut covered = BTreeMap::new();
        let ledger = self.book.store.records().ledger_of(self.book.identity()?.root.shop.days())?;
        let closings = Closings::of(&ledger);
        let mut next = Some(closing);
        let mut seen = BTreeSet::new();
        while let Some(id) = next.filter(|id| seen.insert(*id)) {
            let Some(first) = closing_in(&ledger, id) else { break };
            for entry in closings.parts(id) {
                for one in &entry.covers {
                    covered.entry(one.doc).or_insert_with(|| one.heads.clone());
                }
            }
            next = first.since;
        }
        Ok(covered)
    }

    /// The closings that stand, latest day first, at most so many.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn closed_days(&self, most: usize, unit: LengthUnit) -> Result<Vec<ClosedDay>, BookError> {
        let mut standing: Vec<(Date, RecordId)> = self.standing_closings()?;
        standing.sort_unstable();
        let latest: Vec<RecordId> = standing.iter().rev().take(most).map(|(_, id)| *id).collect();
        self.closed_days_of(&*self.days_ledger()?, &latest, unit)
    }

    /// The closing of a day that stands; `None` while it is open.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn closed_day(&self, day: Date, unit: LengthUnit) -> Result<Option<ClosedDay>, BookError> {
        let doc = self.book.identity()?.root.shop.days();
        let standing = self.book.store.projections().standing(doc, &Slot::Day(day, 1))?.and_then(|s| s.stands);
        let ledger = self.days_ledger()?;
        let standing: Vec<RecordId> = standing.into_iter().filter(|id| closing_in(&ledger, *id).is_some()).collect();
        Ok(self.closed_days_of(&ledger, &standing, unit)?.pop())
    }

    /// How a document stood when a day was closed: what the office could know that evening, and no more.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the day is not closed, or the closing covers no such document.
    pub fn evening(&self, day: Date, doc: DocId, unit: LengthUnit) -> Result<Evening, BookError> {
        let closed = self.closed_day(day, unit)?.ok_or_else(|| BookError::Unknown(format!("{day} is not closed")))?;
        let covered = self.covered_by(closed.record)?;
        let heads = covered.get(&doc).ok_or_else(|| BookError::Unknown(format!("the closing of {day} covers no such document")))?;
        let root = self.book.identity()?.root;
        let at = |doc: DocId, heads: &[shared::bytes::Bytes32]| match self.book.store.documents().document(doc)? {
            Some(row) => self.book.store.records().ledger_at(row.num, heads),
            None => Ok(Ledger::default()),
        };
        let roster = match covered.get(&root.shop.roster()) {
            Some(heads) => Roster::build(root, &at(root.shop.roster(), heads)?),
            None => Roster::empty(root),
        };
        let ledger = at(doc, heads)?;
        let mut slots: Vec<&Slot> = ledger.slots().filter(|slot| is_reading(slot)).collect();
        if slots.len() > MOST_LINES {
            // What is measured first, then what happened: of that there may be any number.
            slots.sort_by_key(|slot| !is_measured(slot));
        }
        let more = cut(&mut slots, MOST_LINES);
        let (judge, mut lines) = (Standings::new(&ledger, &roster), Vec::new());
        for slot in slots {
            let then = judge.of(slot);
            let entry = then.stands.and_then(|id| ledger.get(id));
            let now = self.book.store.projections().standing(doc, slot)?;
            lines.push(EveningLine {
                slot_words: slot.words(),
                state: then.state,
                words: entry.map_or_else(String::new, |e| describe(&e.record.body, unit, &roster)),
                by: entry.map_or_else(String::new, |e| roster.name(e.record.measurer())),
                changed_since: now.is_none_or(|now| (now.stands, now.state) != (then.stands, then.state)),
            });
        }
        Ok(Evening { day, when: closed.when, doc, title: self.book.reader().title(doc)?, lines, more })
    }

    /// The first part of the closing that was made last.
    pub(crate) fn last_closing(&self) -> Result<Option<RecordId>, BookError> {
        let ledger = self.days_ledger()?;
        let standing = self.standing_closings()?;
        Ok(standing.into_iter().map(|(_, id)| id).max_by_key(|id| (ledger.time(*id).ms, *id)))
    }

    fn days_ledger(&self) -> Result<Arc<Ledger>, BookError> {
        Ok(self.book.store.records().ledger_of(self.book.identity()?.root.shop.days())?)
    }

    fn standing_closings(&self) -> Result<Vec<(Date, RecordId)>, BookError> {
        let doc = self.book.identity()?.root.shop.days();
        let first = |slot: &Slot| if let Slot::Day(day, 1) = slot { Some(*day) } else { None };
        Ok(self.book.store.projections().standings(doc)?.into_iter().filter_map(|s| Some((first(&s.slot)?, s.stands?))).collect())
    }

    /// Closings in full, in the order given. What came late for them is looked for once, for all of them.
    fn closed_days_of(&self, ledger: &Ledger, ids: &[RecordId], unit: LengthUnit) -> Result<Vec<ClosedDay>, BookError> {
        let roster = self.book.roster()?;
        let closings = Closings::of(ledger);
        let mut days = Vec::with_capacity(ids.len());
        for id in ids {
            let found = ledger.get(*id).zip(closing_in(ledger, *id));
            let (entry, closing) = found.ok_or_else(|| BookError::Defect("a closing that stands is none".to_owned()))?;
            let at_ms = ledger.time(*id).ms;
            days.push(ClosedDay {
                day: closing.day,
                day_words: closing.day.strftime("%A %Y-%m-%d").to_string(),
                record: *id,
                short: short(id),
                by: roster.name(entry.record.by),
                at_ms,
                when: roster.local(at_ms),
                counts: closing.counts,
                left_open: closing.left_open.clone(),
                covers: closings.parts(*id).iter().map(|part| part.covers.len()).sum(),
                late: Vec::new(),
                late_more: 0,
            });
        }
        self.add_late(&mut days, unit)?;
        Ok(days)
    }

    /// Adds what was written on each day and came after it was closed, be it work done before the closing or after it.
    fn add_late(&self, days: &mut [ClosedDay], unit: LengthUnit) -> Result<(), BookError> {
        let roster = self.book.roster()?;
        let mut names = Names::default();
        let span = |day: Date| {
            let until = day.checked_add(1.day()).map_or(i64::MAX, |next| roster.day_start_ms(next));
            (roster.day_start_ms(day), until)
        };
        // By day, the earliest first: so the spans begin and end in order.
        let mut in_order: Vec<&mut ClosedDay> = days.iter_mut().collect();
        in_order.sort_by_key(|closed| closed.day);
        let spans: Vec<ReceivedAfter> = in_order
            .iter()
            .map(|closed| {
                let (from, until) = span(closed.day);
                let (from, until) = (from.saturating_sub(CLOCK_OFF_BY_MS), until.saturating_add(CLOCK_OFF_BY_MS));
                ReceivedAfter { after_ms: closed.at_ms, written_from_ms: from, written_until_ms: until }
            })
            .collect();
        for (closed, found) in in_order.into_iter().zip(self.book.store.records().received_after(&spans)?) {
            let (from, until) = span(closed.day);
            for held in found {
                let record = &held.entry.record;
                let receipt = held.received_ms.map(|at_ms| Receipt::measured(at_ms, 0, 0));
                let written = correct(record, receipt.as_ref(), None).ms;
                let counts = (from..until).contains(&written) && held.entry.device != roster.root.device;
                if !counts || matches!(record.body, Body::DayClosed(_)) {
                    continue;
                }
                if closed.late.len() == MOST_LINES {
                    closed.late_more += 1;
                    continue;
                }
                closed.late.push(LateLine {
                    record: record.id,
                    short: short(&record.id),
                    doc: held.doc,
                    title: names.title(self.book, held.doc)?,
                    by: roster.name(record.measurer()),
                    words: describe(&record.body, unit, roster),
                    when: roster.local(written),
                    came: held.received_ms.map_or_else(String::new, |ms| roster.local(ms)),
                });
            }
        }
        Ok(())
    }
}

/// Slots that say how the machine was, and not what is kept about the book itself.
fn is_reading(slot: &Slot) -> bool {
    !matches!(slot, Slot::Ruling(_) | Slot::Void(_))
}

/// Slots that are measured: of one machine there are only so many.
fn is_measured(slot: &Slot) -> bool {
    matches!(slot, Slot::Lash(..) | Slot::Hours | Slot::MeterChanges | Slot::Machine | Slot::Property | Slot::Shop)
}
