//! What leaves the book as a table or for paper: every reading in rows, without holding the book for all of them; a season.

use jiff::civil::Date;
use shared::ids::{DocId, PersonId};
use shared::length::LengthUnit;

use super::SqliteShop;
use crate::engine::BookError;
use crate::queries::{HoursRow, ReadingRow, RowOf, RowPlace, Rows, SeasonRecord, Table, hours_row, reading_row};
use crate::sys::moment::Moment;

/// What is asked of the shop as a table, or for paper.
#[expect(clippy::missing_errors_doc, reason = "each fails where the store does")]
pub trait Tables {
    /// The clearance readings open to a person, behind a place; as many as a table takes.
    fn readings(&self, person: PersonId, after: Option<RowPlace>) -> Result<Rows<ReadingRow>, BookError>;
    /// The hour-meter readings open to a person, behind a place; as many as a table takes.
    fn hours(&self, person: PersonId, after: Option<RowPlace>) -> Result<Rows<HoursRow>, BookError>;
    /// The service record of a machine over some days.
    fn season_record(&self, machine: DocId, from: Date, until: Date, unit: LengthUnit, now: &Moment) -> Result<SeasonRecord, BookError>;
}

impl SqliteShop {
    /// Fills a table one machine after another, and lets go of the book between two: exchanges do not wait for the whole of it.
    fn table<T>(&self, person: PersonId, after: Option<RowPlace>, of: RowOf<T>) -> Result<Rows<T>, BookError> {
        let machines = self.lock().0.store.tags()?;
        let mut table = Table::after(after);
        for machine in &machines {
            if table.is_full() {
                break;
            }
            table.add(&self.lock().0, person, machine, of)?;
        }
        Ok(table.done())
    }
}

impl Tables for SqliteShop {
    fn readings(&self, person: PersonId, after: Option<RowPlace>) -> Result<Rows<ReadingRow>, BookError> {
        self.table(person, after, reading_row)
    }

    fn hours(&self, person: PersonId, after: Option<RowPlace>) -> Result<Rows<HoursRow>, BookError> {
        self.table(person, after, hours_row)
    }

    fn season_record(&self, machine: DocId, from: Date, until: Date, unit: LengthUnit, now: &Moment) -> Result<SeasonRecord, BookError> {
        self.lock().0.season_record(machine, from, until, unit, now)
    }
}
