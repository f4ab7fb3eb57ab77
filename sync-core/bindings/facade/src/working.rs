//! Work at a machine: a visit, its readings, hours, findings, its finish. Each step is kept when it returns.

use shared::caution::Caution;
use shared::hours::Hours;
use shared::ids::{DocId, RecordId};
use shared::record::{FindingKind, MachineCard, MeterChange};
use shared::teach::figure::Figure;
use shared::teach::{Lesson, LessonError};
use shared::valve::Valve;
use shared::verdict::NextLeaf;
use sync_core::commands::{
    FinishOutcome, Guide, HoursOutcome, OwnVisit, ReadingEntry, ReadingOutcome, TrialView, Tried, VisitEntry, VisitOutcome,
};
use sync_core::queries::LessonView;

use crate::Kit;
use crate::error::KitError;

fn named(lesson: &str) -> Result<Lesson, KitError> {
    lesson.parse().map_err(|error: LessonError| KitError::Given(error.to_string()))
}

impl Kit {
    /// What must be shown and confirmed before a hand goes near a machine's engine, in the order in which it is done. What is looked
    /// out for later comes with its step: see [`Guide`].
    ///
    /// # Errors
    /// [`KitError`] with the code `not-found` where the book has no such machine.
    pub fn cautions(&self, machine: DocId) -> Result<Vec<Caution>, KitError> {
        Ok(self.book.advisor().cautions(machine)?)
    }

    /// How a step of the check is done on a machine's engine, why, and what goes wrong otherwise.
    ///
    /// # Errors
    /// [`KitError`] with the code `not-found` where the book has no such machine; [`KitError::Given`] for a lesson that is none.
    pub fn lesson(&self, lesson: &str, machine: Option<DocId>) -> Result<LessonView, KitError> {
        Ok(self.book.machines().lesson(named(lesson)?, machine, self.unit()?)?)
    }

    /// A lesson's drawing; that of `top-dead-center` at an angle of the crank, in degrees from top dead center of compression.
    ///
    /// # Errors
    /// As [`Kit::lesson`].
    pub fn lesson_figure(&self, lesson: &str, machine: Option<DocId>, degrees: f64) -> Result<Figure, KitError> {
        Ok(self.book.machines().lesson_figure(named(lesson)?, machine, degrees)?)
    }

    /// Opens a visit, once its cautions have been shown and confirmed (see [`Kit::cautions`]).
    ///
    /// # Errors
    /// [`KitError`] with the code `entry-invalid` where the cautions were not confirmed.
    pub fn open_visit(&mut self, machine: DocId, entry: &VisitEntry) -> Result<VisitOutcome, KitError> {
        self.by_hand(|book, hand| book.author().open_visit(machine, entry, hand))
    }

    /// Goes on with the person's own latest open visit, once its cautions have been shown and confirmed again: says how the
    /// engine is now. Asked for where [`Guide::cold`] does not count.
    ///
    /// # Errors
    /// As [`Kit::open_visit`]; [`KitError`] with the code `not-found` where there is no open visit.
    pub fn resume_visit(&mut self, machine: DocId, entry: &VisitEntry) -> Result<VisitOutcome, KitError> {
        self.by_hand(|book, hand| book.author().resume_visit(machine, entry, hand))
    }

    /// The person's own latest open visit to a machine.
    ///
    /// # Errors
    /// [`KitError`] where the store fails.
    pub fn open_visit_of(&self, machine: DocId) -> Result<Option<RecordId>, KitError> {
        Ok(self.book.advisor().open_visit_of(machine, None)?)
    }

    /// The person's own latest open visit to a machine, and whether it was handed over on this device.
    ///
    /// # Errors
    /// [`KitError`] where the store fails.
    pub fn own_visit(&self, machine: DocId) -> Result<Option<OwnVisit>, KitError> {
        Ok(self.book.advisor().own_visit(machine)?)
    }

    /// The visit that the person goes on with: their latest that is open and was not handed over.
    ///
    /// # Errors
    /// [`KitError`] where the store fails.
    pub fn visit_to_go_on_with(&self) -> Result<Option<OwnVisit>, KitError> {
        Ok(self.book.advisor().visit_to_go_on_with()?)
    }

    /// Hands the person's open visit over to somebody who may sign it off: the note says so to others, and the visit waits on this device.
    ///
    /// # Errors
    /// [`KitError`] with the code `not-found` where no visit is open; having kept nothing.
    pub fn hand_over(&mut self, machine: DocId, note: &str) -> Result<RecordId, KitError> {
        self.by_hand(|book, hand| book.author().hand_over(machine, note, hand))
    }

    /// Takes a visit up again that was handed over.
    ///
    /// # Errors
    /// [`KitError`] where the store fails.
    pub fn take_up(&mut self, machine: DocId) -> Result<(), KitError> {
        Ok(self.book.author().take_up(machine)?)
    }

    /// Where the guided check of the open visit is: what is done, what is next, what would be left open.
    ///
    /// # Errors
    /// [`KitError`] with the code `not-found` where there is no open visit.
    pub fn guide(&mut self, machine: DocId) -> Result<Guide, KitError> {
        let now = self.around.now();
        Ok(self.book.advisor().guide(machine, None, &self.leaves()?.set, self.unit()?, &now)?)
    }

    /// The first leaf to try on a valve, before anything is known of it.
    ///
    /// # Errors
    /// [`KitError`] where the book has no such machine.
    pub fn first_leaf(&self, machine: DocId, valve: Valve) -> Result<Option<NextLeaf>, KitError> {
        Ok(self.book.advisor().first_leaf(machine, valve, &self.leaves()?.set)?)
    }

    /// What the leaves tried so far on a valve say, and what to ask next. Keeps nothing.
    ///
    /// # Errors
    /// [`KitError`] with the code `entry-invalid` for a leaf that cannot be, or that contradicts those before it.
    pub fn trial(&mut self, machine: DocId, valve: Valve, tried: &[Tried]) -> Result<TrialView, KitError> {
        let now = self.around.now();
        Ok(self.book.advisor().trial(machine, valve, tried, &self.leaves()?.set, self.unit()?, &now)?)
    }

    /// Keeps a reading and says at once what it means: the verdict, what to do next, how far to turn the adjuster.
    ///
    /// # Errors
    /// [`KitError`] with the code `entry-invalid` for leaves or a valve that cannot be.
    pub fn take_reading(&mut self, machine: DocId, entry: ReadingEntry) -> Result<ReadingOutcome, KitError> {
        let (set, unit) = (self.leaves()?.set, self.unit()?);
        self.by_hand(|book, hand| book.author().take_reading(machine, entry, &set, unit, hand))
    }

    /// Reads the hour meter. A reading that cannot be is kept too, and said to be in doubt.
    ///
    /// # Errors
    /// [`KitError`], having kept nothing.
    pub fn read_hours(&mut self, machine: DocId, meter: Hours) -> Result<HoursOutcome, KitError> {
        self.by_hand(|book, hand| book.author().read_hours(machine, meter, hand))
    }

    /// Notes a changed hour meter.
    ///
    /// # Errors
    /// [`KitError`], having kept nothing.
    pub fn change_meter(&mut self, machine: DocId, change: MeterChange) -> Result<RecordId, KitError> {
        self.by_hand(|book, hand| book.author().change_meter(machine, change, hand))
    }

    /// Notes a finding, or puts the machine on hold.
    ///
    /// # Errors
    /// [`KitError`], having kept nothing.
    pub fn add_finding(&mut self, machine: DocId, grade: FindingKind, what: &str) -> Result<RecordId, KitError> {
        self.by_hand(|book, hand| book.author().add_finding(machine, grade, what, hand))
    }

    /// Clears a finding or a hold.
    ///
    /// # Errors
    /// [`KitError`], having kept nothing.
    pub fn clear_finding(&mut self, finding: RecordId, how: &str) -> Result<RecordId, KitError> {
        self.by_hand(|book, hand| book.author().clear_finding(finding, how, hand))
    }

    /// Leaves a note on a machine or a property.
    ///
    /// # Errors
    /// [`KitError`], having kept nothing.
    pub fn add_note(&mut self, doc: DocId, text: &str) -> Result<RecordId, KitError> {
        self.by_hand(|book, hand| book.author().add_note(doc, text, hand))
    }

    /// What a visit would leave open, one sentence each.
    ///
    /// # Errors
    /// [`KitError`] where the book has no such machine.
    pub fn left_open(&self, machine: DocId, visit: RecordId) -> Result<Vec<String>, KitError> {
        Ok(self.book.advisor().left_open(machine, visit)?)
    }

    /// Finishes the person's own latest open visit; says what is left open.
    ///
    /// # Errors
    /// [`KitError`] with the code `not-found` where no visit is open, `role-may-not` where the role does not sign off.
    pub fn finish_visit(&mut self, machine: DocId, remark: &str) -> Result<FinishOutcome, KitError> {
        self.by_hand(|book, hand| book.author().finish_visit(machine, None, remark, hand))
    }

    /// Signs off somebody's visit, their own or another's; says what is left open.
    ///
    /// # Errors
    /// As [`Kit::finish_visit`].
    pub fn sign_off(&mut self, machine: DocId, visit: RecordId, remark: &str) -> Result<FinishOutcome, KitError> {
        self.by_hand(|book, hand| book.author().finish_visit(machine, Some(visit), remark, hand))
    }

    /// Enters a machine that the list lacks: provisional, until the office confirms it. Gives its document.
    ///
    /// # Errors
    /// [`KitError`] with the code `entry-invalid` where its tag is in the book already, or is none; having kept nothing.
    pub fn add_machine(&mut self, card: MachineCard) -> Result<DocId, KitError> {
        self.by_hand(|book, hand| book.author().add_machine(card, hand))
    }

    /// Takes a record back. It stays in the book as history.
    ///
    /// # Errors
    /// [`KitError`], having kept nothing.
    pub fn void(&mut self, target: RecordId, reason: &str) -> Result<RecordId, KitError> {
        self.by_hand(|book, hand| book.author().void(target, reason, hand))
    }
}
