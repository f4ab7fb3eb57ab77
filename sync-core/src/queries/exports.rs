//! Readings and hours as rows for a table: every record of the kind in every machine open to one person, with what became of it.

use serde::{Deserialize, Serialize};
use shared::hours::Hours;
use shared::ids::{DocId, MachineId, PersonId, RecordId};
use shared::length::Length;
use shared::record::{Body, Stage};
use shared::valve::Valve;

use super::Fate;
use super::bounds::MOST_ROWS;
use super::history::Fates;
use super::names::Names;
use crate::book::Book;
use crate::engine::BookError;
use crate::judge::ledger::Entry;
use crate::queries::PersonReader;

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

/// A place in a table: behind one record of one machine.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct RowPlace {
    /// The machine's tag.
    pub tag: String,
    /// The machine.
    pub machine: MachineId,
    /// Corrected time of the record, ms since 1970 UTC.
    pub at_ms: i64,
    /// The record.
    pub record: RecordId,
}

/// Rows of a table: as many as one takes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rows<T> {
    /// By tag and time.
    pub rows: Vec<T>,
    /// Where the rest begins; `None` where this is all.
    pub next: Option<RowPlace>,
}

/// A table as it is filled, one machine after another: between two the book need not be held.
#[derive(Debug)]
pub(crate) struct Table<T> {
    rows: Rows<T>,
    after: Option<RowPlace>,
    /// Of the last row.
    last: Option<RowPlace>,
    names: Names,
}

/// What makes a row of a record; `None` for other kinds.
pub(crate) type RowOf<T> = fn(RowOrigin, &Body) -> Option<T>;

impl<T> Table<T> {
    /// Behind a place; from the beginning where none is given.
    pub(crate) fn after(after: Option<RowPlace>) -> Self {
        Self { rows: Rows { rows: Vec::new(), next: None }, after, last: None, names: Names::default() }
    }

    /// It takes no more.
    pub(crate) const fn is_full(&self) -> bool {
        self.rows.next.is_some()
    }

    pub(crate) fn done(self) -> Rows<T> {
        self.rows
    }

    /// Adds the rows of a machine, as far as it is open to the person and the table takes them.
    pub(crate) fn add(&mut self, book: &Book, person: PersonId, (machine, tag): &(DocId, String), of: RowOf<T>) -> Result<(), BookError> {
        let place = |at_ms: i64, record: RecordId| RowPlace { tag: tag.clone(), machine: MachineId(machine.0), at_ms, record };
        let before = |a: &RowPlace| (a.tag.as_str(), a.machine) > (tag.as_str(), MachineId(machine.0));
        if self.after.as_ref().is_some_and(before) || !book.read_by(person).may_read(*machine)? {
            return Ok(());
        }
        let (roster, ledger, standings) =
            (book.roster()?, book.store.records().ledger_of(*machine)?, book.store.projections().standings(*machine)?);
        let fates = Fates::of(&standings);
        let property = book.store.machine_rows().machine(*machine)?.and_then(|row| row.state.property());
        let property_name = self.names.property(book, property)?;
        let mut entries: Vec<&Entry> = ledger.entries().collect();
        entries.sort_by_cached_key(|entry| (ledger.time(entry.record.id).ms, entry.record.id));
        for entry in entries {
            let (id, body) = (entry.record.id, &entry.record.body);
            let at_ms = ledger.time(id).ms;
            // Looked at before its words are made: most records of a machine are of another kind.
            if !matches!(body, Body::Clearance(_) | Body::Hours(_)) || self.after.as_ref().is_some_and(|after| place(at_ms, id) <= *after) {
                continue;
            }
            let origin = RowOrigin {
                record: id,
                machine: MachineId(machine.0),
                tag: tag.clone(),
                property_name: property_name.clone(),
                by: roster.name(entry.record.measurer()),
                at_ms,
                when: roster.local(at_ms),
                fate: fates.fate(id, body, &ledger, roster),
            };
            let Some(row) = of(origin, body) else { continue };
            if self.rows.rows.len() == MOST_ROWS {
                self.rows.next = self.last.take();
                return Ok(());
            }
            self.last = Some(place(at_ms, id));
            self.rows.rows.push(row);
        }
        Ok(())
    }
}

/// A clearance reading as a row.
pub(crate) fn reading_row(origin: RowOrigin, body: &Body) -> Option<ReadingRow> {
    let Body::Clearance(said) = body else { return None };
    Some(ReadingRow {
        origin,
        valve: said.valve,
        stage: said.stage,
        go: said.go,
        no_go: said.no_go,
        cold: said.cold,
        adjusted: said.adjusted,
    })
}

/// An hour-meter reading as a row.
pub(crate) fn hours_row(origin: RowOrigin, body: &Body) -> Option<HoursRow> {
    let Body::Hours(said) = body else { return None };
    Some(HoursRow { origin, meter: said.meter })
}

impl PersonReader<'_> {
    /// Documents open to the person that moved, or were opened to them, after one position of the shop's log and up to another.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn moved(&self, from: u64, until: u64) -> Result<Vec<DocId>, BookError> {
        if self.book.roster()?.role_now(self.person).is_none() {
            return Ok(Vec::new());
        }
        Ok(self.book.store.grants().moved_documents(self.person, from, until)?)
    }
}
