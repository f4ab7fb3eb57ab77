//! Readings and hours as rows for a table: every record of the kind in every machine open to one person, with what became of it.

use std::sync::Arc;

use serde::Serialize;
use shared::hours::Hours;
use shared::ids::{DocId, MachineId, PersonId, RecordId};
use shared::length::Length;
use shared::record::{Body, Stage};
use shared::valve::Valve;

use super::{Fate, history};
use crate::book::{Book, BookError};
use crate::ledger::{Entry, Ledger};
use crate::standing::Standing;
use crate::store::MachineRow;

/// Where a row comes from: the machine, who, when, and what became of the record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct RowOrigin {
    /// Which record.
    pub record: RecordId,
    /// The machine.
    pub machine: MachineId,
    /// Its tag.
    pub tag: String,
    /// Where it lives.
    pub property_name: String,
    /// Who measured.
    pub by: String,
    /// Corrected time, ms since 1970 UTC.
    pub at_ms: i64,
    /// That as the shop's clock shows it.
    pub when: String,
    /// What became of it.
    pub fate: Fate,
}

/// A clearance reading in a row.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ReadingRow {
    /// Where it comes from.
    #[serde(flatten)]
    pub origin: RowOrigin,
    /// Which valve.
    pub valve: Valve,
    /// Which stage.
    pub stage: Stage,
    /// The largest leaf that entered.
    #[serde(rename = "go_tenth_um")]
    pub go: Option<Length>,
    /// The smallest that did not.
    #[serde(rename = "no_go_tenth_um")]
    pub no_go: Option<Length>,
    /// Taken cold.
    pub cold: bool,
    /// The adjuster was turned.
    pub adjusted: bool,
}

/// An hour-meter reading in a row.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct HoursRow {
    /// Where it comes from.
    #[serde(flatten)]
    pub origin: RowOrigin,
    /// What the meter showed.
    #[serde(rename = "meter_tenth_h")]
    pub meter: Hours,
}

/// One machine's records at hand.
struct Records<'a> {
    book: &'a Book,
    row: &'a MachineRow,
    property_name: String,
    ledger: Arc<Ledger>,
    standings: Vec<Standing>,
}

impl<'a> Records<'a> {
    fn of(book: &'a Book, row: &'a MachineRow) -> Result<Self, BookError> {
        Ok(Self {
            property_name: book.property_name(row.state.property())?,
            ledger: book.store.ledger_of(row.doc)?,
            standings: book.store.standings(row.doc)?,
            book,
            row,
        })
    }

    fn origin(&self, entry: &Entry) -> Result<RowOrigin, BookError> {
        let (roster, id) = (self.book.roster()?, entry.record.id);
        let at_ms = self.ledger.time(id).ms;
        Ok(RowOrigin {
            record: id,
            machine: MachineId(self.row.doc.0),
            tag: self.row.state.tag().to_owned(),
            property_name: self.property_name.clone(),
            by: roster.name(entry.record.measurer()),
            at_ms,
            when: roster.local(at_ms),
            fate: history::fate(id, &entry.record.body, &self.ledger, &self.standings, roster),
        })
    }
}

impl Book {
    /// Every clearance reading in the machines open to a person, by tag and time.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn readings_for(&self, person: PersonId) -> Result<Vec<ReadingRow>, BookError> {
        self.rows_for(person, |records, entry| match &entry.record.body {
            Body::Clearance(said) => Ok(Some(ReadingRow {
                origin: records.origin(entry)?,
                valve: said.valve,
                stage: said.stage,
                go: said.go,
                no_go: said.no_go,
                cold: said.cold,
                adjusted: said.adjusted,
            })),
            _ => Ok(None),
        })
    }

    /// Every hour-meter reading in the machines open to a person, by tag and time.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn hours_for(&self, person: PersonId) -> Result<Vec<HoursRow>, BookError> {
        self.rows_for(person, |records, entry| match &entry.record.body {
            Body::Hours(said) => Ok(Some(HoursRow { origin: records.origin(entry)?, meter: said.meter })),
            _ => Ok(None),
        })
    }

    fn rows_for<T>(
        &self,
        person: PersonId,
        row_of: impl Fn(&Records<'_>, &Entry) -> Result<Option<T>, BookError>,
    ) -> Result<Vec<T>, BookError> {
        let mut rows = Vec::new();
        for machine in self.store.machines()? {
            if !self.may_read(person, machine.doc)? {
                continue;
            }
            let records = Records::of(self, &machine)?;
            let mut entries: Vec<&Entry> = records.ledger.entries().collect();
            entries.sort_by_key(|entry| (records.ledger.time(entry.record.id).ms, entry.record.id));
            for entry in entries {
                rows.extend(row_of(&records, entry)?);
            }
        }
        Ok(rows)
    }

    /// Documents open to a person that moved, or were opened to them, after one position of the shop's log and up to another.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn moved_for(&self, person: PersonId, from: u64, until: u64) -> Result<Vec<DocId>, BookError> {
        if self.roster()?.role_now(person).is_none() {
            return Ok(Vec::new());
        }
        Ok(self.store.moved_documents(person, from, until)?)
    }
}
