//! The visits that this person has open, and which of them were handed over on this device for somebody else to sign off.

use serde::Serialize;
use shared::ids::{DocId, RecordId};

use super::ActionContext;
use crate::commands::{Advisor, Author};
use crate::engine::BookError;
use crate::store::MetaKey;

/// Where it is kept that a visit was handed over. It is this device's own: what tells others is the note.
fn handed_at(machine: DocId) -> MetaKey<RecordId> {
    MetaKey::under("handed-over/", machine)
}

/// A visit of this person's own that nobody has finished.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct OwnVisit {
    /// The machine.
    pub machine: DocId,
    /// Its tag.
    pub tag: String,
    /// The visit.
    pub visit: RecordId,
    /// When it was opened, ms since 1970 UTC.
    pub at_ms: i64,
    /// It was handed over on this device, and waits for somebody who may sign it off.
    pub handed_over: bool,
}

impl Advisor<'_> {
    /// This person's latest open visit to a machine, and whether it was handed over.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn own_visit(&self, machine: DocId) -> Result<Option<OwnVisit>, BookError> {
        let person = self.book.writer()?.person;
        let Some(row) = self.book.store.machine_rows().machine(machine)? else { return Ok(None) };
        let Some(line) = row.state.open_visit_of(person) else { return Ok(None) };
        let handed_over = self.book.store.meta(&handed_at(machine))? == Some(line.visit);
        Ok(Some(OwnVisit { machine, tag: row.state.tag().to_owned(), visit: line.visit, at_ms: line.at_ms, handed_over }))
    }

    /// The visit that this person goes on with: the latest that is open and was not handed over. Costs in proportion to the machines that
    /// want attention, open visits among them.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn visit_to_go_on_with(&self) -> Result<Option<OwnVisit>, BookError> {
        let mut latest: Option<OwnVisit> = None;
        for (doc, summary) in self.book.store.machine_rows().summaries_wanting_attention()? {
            if summary.open_visit()
                && let Some(own) = self.own_visit(doc)?.filter(|own| !own.handed_over)
                && latest.as_ref().is_none_or(|latest| latest.at_ms < own.at_ms)
            {
                latest = Some(own);
            }
        }
        Ok(latest)
    }
}

impl Author<'_> {
    /// Hands this person's open visit over to somebody who may sign it off: a note says so to others, and the visit waits here. Both are kept, or
    /// neither.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where no visit is open; any other having kept nothing.
    pub fn hand_over(&mut self, machine: DocId, note: &str, hand: &mut ActionContext<'_>) -> Result<RecordId, BookError> {
        let own = self.book.advisor().own_visit(machine)?;
        let own = own.ok_or_else(|| BookError::Unknown("you have no open visit to this machine".to_owned()))?;
        self.book.as_one(|book| {
            let record = book.author().add_note(machine, note, hand)?;
            book.store.set_meta(&handed_at(machine), &own.visit)?;
            Ok(record)
        })
    }

    /// Takes a visit up again that was handed over. Where none was, nothing changes.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn take_up(&mut self, machine: DocId) -> Result<(), BookError> {
        Ok(self.book.store.clear_meta(&handed_at(machine))?)
    }
}
