//! The verbs of the trade, as one call each: what the guided check and the one-line commands both do.
//!
//! Each writes its records in one transaction and says at once what they mean.

mod author;
mod day;
pub mod desk;
mod guide;
mod office;
mod order;
mod own_visit;
mod reading;
mod trial;
mod visit;

use shared::ids::{DocId, PersonId, RecordId};
use shared::record::{Body, Finding, FindingCleared, FindingKind, MachineCard, MeterChange, Note, Photo, Void};

pub use author::{Advisor, Author};
pub use guide::{Guide, Step, ValveGuide};
pub use office::Settings;
pub use order::next_of;
pub use own_visit::OwnVisit;
pub use reading::{ReadingEntry, ReadingOutcome};
pub use trial::{Ask, Trial, TrialView, Tried};
pub use visit::{FinishOutcome, HoursOutcome, VisitEntry, VisitOutcome};

use crate::book::Draft;
use crate::engine::BookError;
use crate::judge::permissions;
use crate::queries::bounds::MOST_HISTORY;
use crate::sys::clock::ClockReading;
use crate::sys::rng::{CryptoRng, fresh_doc};

/// Who does a step, when, and with what randomness.
pub struct ActionContext<'a> {
    /// The device's clocks.
    pub now: ClockReading,
    /// Randomness.
    pub entropy: &'a mut dyn CryptoRng,
    /// Who measured, where the office writes a paper sheet down.
    pub measured_by: Option<PersonId>,
}

impl std::fmt::Debug for ActionContext<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("ActionContext").field("now", &self.now).field("measured_by", &self.measured_by).finish_non_exhaustive()
    }
}

impl Author<'_> {
    pub(crate) fn state_one(&mut self, doc: DocId, body: impl Into<Body>, hand: &mut ActionContext<'_>) -> Result<RecordId, BookError> {
        let draft = Draft { doc, body: body.into(), measured_by: hand.measured_by };
        self.book.write(vec![draft], &hand.now, hand.entropy)?.pop().ok_or_else(|| BookError::Defect("nothing was written".to_owned()))
    }

    /// Enters a machine: provisional in the field, final by the office.
    ///
    /// # Errors
    /// [`BookError`], having kept nothing.
    pub fn add_machine(&mut self, card: MachineCard, hand: &mut ActionContext<'_>) -> Result<DocId, BookError> {
        let office = self.book.my_role() == Some(shared::role::Role::Office);
        let card = self.book.advisor().with_cylinders(MachineCard { provisional: !office, ..card })?;
        if !self.book.finder().tagged(&card.tag)?.is_empty() {
            return Err(BookError::Entry(format!("The book has a machine tagged {} already.", card.tag)));
        }
        let doc = fresh_doc(&hand.now, self.book.writer()?.device, hand.entropy);
        self.state_one(doc, card, hand)?;
        Ok(doc)
    }
}

impl Advisor<'_> {
    /// Fills the cylinders in from the engine card, so that judging a valve needs this document alone.
    pub(crate) fn with_cylinders(&self, mut card: MachineCard) -> Result<MachineCard, BookError> {
        if let Some(id) = card.engine_card {
            let engine =
                self.book.reader().engine_card(id)?.ok_or_else(|| BookError::Unknown("this book has no such engine card".to_owned()))?;
            card.cylinders = Some(engine.cylinders);
        }
        Ok(card)
    }
}

impl Author<'_> {
    /// Notes a finding, or puts the machine on hold.
    ///
    /// # Errors
    /// [`BookError`], having kept nothing.
    pub fn add_finding(
        &mut self,
        machine: DocId,
        grade: FindingKind,
        what: &str,
        hand: &mut ActionContext<'_>,
    ) -> Result<RecordId, BookError> {
        let visit = self.book.advisor().open_visit_of(machine, hand.measured_by)?;
        self.state_one(machine, Finding { grade, what: what.to_owned(), visit }, hand)
    }

    /// Clears a finding or a hold.
    ///
    /// # Errors
    /// [`BookError`], having kept nothing.
    pub fn clear_finding(&mut self, finding: RecordId, how: &str, hand: &mut ActionContext<'_>) -> Result<RecordId, BookError> {
        let held = self.book.store.records().held(finding)?.filter(|h| matches!(h.entry.record.body, Body::Finding(_)));
        let held = held.ok_or_else(|| BookError::Unknown("this book has no such finding".to_owned()))?;
        self.state_one(held.doc, FindingCleared { finding, how: how.to_owned() }, hand)
    }

    /// Leaves a note.
    ///
    /// # Errors
    /// [`BookError`], having kept nothing.
    pub fn add_note(&mut self, doc: DocId, text: &str, hand: &mut ActionContext<'_>) -> Result<RecordId, BookError> {
        let visit = self.book.advisor().open_visit_of(doc, hand.measured_by)?;
        self.state_one(doc, Note { text: text.to_owned(), visit }, hand)
    }

    /// Notes a photo by the hash of its bytes, which this device has: see [`Photos::due`].
    ///
    /// # Errors
    /// [`BookError`], having kept nothing.
    pub fn add_photo(&mut self, doc: DocId, photo: Photo, hand: &mut ActionContext<'_>) -> Result<RecordId, BookError> {
        let photo = Photo { visit: self.book.advisor().open_visit_of(doc, hand.measured_by)?, ..photo };
        self.state_one(doc, photo, hand)
    }

    /// Notes a changed hour meter.
    ///
    /// # Errors
    /// [`BookError`], having kept nothing.
    pub fn change_meter(&mut self, machine: DocId, change: MeterChange, hand: &mut ActionContext<'_>) -> Result<RecordId, BookError> {
        self.book.finder().known_machine(machine)?;
        let now = self.book.reader().shop_now_ms(&hand.now)?;
        if change.changed_ms.is_some_and(|ms| ms > now) {
            return Err(BookError::Entry("A meter is noted as changed once it is: that day lies ahead. Nothing was kept.".to_owned()));
        }
        self.state_one(machine, change, hand)
    }

    /// Takes a record back. It stays in the book as history.
    ///
    /// # Errors
    /// [`BookError`], having kept nothing.
    pub fn void(&mut self, target: RecordId, reason: &str, hand: &mut ActionContext<'_>) -> Result<RecordId, BookError> {
        let held = self.book.store.records().held(target)?.ok_or_else(|| BookError::Unknown("this book has no such record".to_owned()))?;
        if !permissions::is_voidable(held.entry.record.body.kind()) {
            return Err(BookError::Denied("a void or a receipt is not undone; state the matter again".to_owned()));
        }
        let mut own = ActionContext { now: hand.now, entropy: &mut *hand.entropy, measured_by: None };
        self.state_one(held.doc, Void { target, reason: reason.to_owned() }, &mut own)
    }
}

impl Advisor<'_> {
    /// The records about a machine or a property that this person may take back, newest first, at most [`MOST_HISTORY`]: what was read,
    /// found and noted there. Not what founds it, nor a visit, in which others' readings may be.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn to_take_back(&self, doc: DocId) -> Result<Vec<RecordId>, BookError> {
        let (roster, person) = (self.book.roster()?, self.book.writer()?.person);
        let Some(role) = roster.role_now(person) else { return Ok(Vec::new()) };
        let ledger = self.book.store.records().ledger_of(doc)?;
        let founds = |body: &Body| matches!(body, Body::Machine(_) | Body::Property(_) | Body::Visit(_));
        let open = ledger.entries().filter(|entry| {
            let record = &entry.record;
            !founds(&record.body)
                && permissions::takes_back(person, role, entry, &ledger, roster)
                && ledger.voided_by(record.id, roster).is_none()
        });
        let mut own: Vec<(i64, RecordId)> = open.map(|entry| (ledger.time(entry.record.id).ms, entry.record.id)).collect();
        own.sort_unstable_by_key(|place| std::cmp::Reverse(*place));
        own.truncate(MOST_HISTORY);
        Ok(own.into_iter().map(|(_, id)| id).collect())
    }

    /// This person's latest open visit to a machine; of the person who measured, where the office writes a sheet down.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn open_visit_of(&self, machine: DocId, measured_by: Option<PersonId>) -> Result<Option<RecordId>, BookError> {
        let person = measured_by.unwrap_or(self.book.writer()?.person);
        let state = self.book.store.machine_rows().machine(machine)?.map(|row| row.state);
        Ok(state.and_then(|state| state.open_visit_of(person).map(|line| line.visit)))
    }
}
