//! Work at a machine: a visit, its readings, hours, findings, its finish. Each step is kept when it returns.

use shared::hours::Hours;
use shared::record::MeterChange;

use crate::asking::{given, given_json, json};
use crate::crossing;
use crate::error::TappetError;
use crate::kit::TappetKit;
use crate::plain::{Finished, Grade, HoursKept, LeafTried, NewReading, NewVisit, NextLeaf, ReadingKept, VisitOpened};

const MACHINE: &str = "machine's id";
const VALVE: &str = "valve, as in 1I or 2E";
const RECORD: &str = "record's id";

/// Whom the kit defers to: show it with the cautions.
#[uniffi::export]
#[must_use]
pub fn deference() -> String {
    tappet_kit::deference().to_owned()
}

#[uniffi::export]
impl TappetKit {
    /// What must be shown and confirmed before a hand goes near a machine's engine, in the order in which it is done. What is looked
    /// out for later comes with its step, in the guide.
    ///
    /// # Errors
    /// `not-found` where the book has no such machine.
    pub fn cautions(&self, machine: &str) -> Result<Vec<String>, TappetError> {
        self.ask(|kit| Ok(kit.cautions(given(machine, MACHINE)?)?.into_iter().map(|caution| caution.words().to_owned()).collect()))
    }

    /// What to look at on a machine for a symptom, in which order and why, with what the book knows: `clatters`, `down-on-power`,
    /// `hard-to-pull`, `kicks-back` or `pops`, as JSON (`SymptomView`).
    ///
    /// # Errors
    /// `not-found` where the book has no such machine; `entry-invalid` for a symptom that is none.
    pub fn symptom(&self, machine: &str, symptom: &str) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.symptom(given(machine, MACHINE)?, symptom)?))
    }

    /// How a step of the check is done on a machine's engine, why, and what goes wrong otherwise: `top-dead-center`, `leaf` or
    /// `lock-nut`, as JSON (`LessonView`).
    ///
    /// # Errors
    /// `not-found` where the book has no such machine; `entry-invalid` for a lesson that is none.
    pub fn lesson(&self, lesson: &str, machine: Option<String>) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.lesson(lesson, machine.as_deref().map(|id| given(id, MACHINE)).transpose()?)?))
    }

    /// A lesson's drawing as JSON (`Figure`); that of `top-dead-center` at an angle of the crank, in degrees from top dead center of
    /// compression.
    ///
    /// # Errors
    /// As `lesson`.
    pub fn lesson_figure(&self, lesson: &str, machine: Option<String>, degrees: f64) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.lesson_figure(lesson, machine.as_deref().map(|id| given(id, MACHINE)).transpose()?, degrees)?))
    }

    /// Opens a visit, once every one of `cautions` has been shown and confirmed.
    ///
    /// # Errors
    /// `entry-invalid` where they were not.
    pub fn open_visit(&self, machine: &str, visit: NewVisit) -> Result<VisitOpened, TappetError> {
        self.does(|kit| Ok(kit.open_visit(given(machine, MACHINE)?, &visit.into())?.into()))
    }

    /// Goes on with the person's own latest open visit, once every one of `cautions` has been shown and confirmed again: says
    /// how the engine is now. Asked for where the `cold_words` of the guide are not empty.
    ///
    /// # Errors
    /// `entry-invalid` where they were not, `not-found` where there is no open visit.
    pub fn resume_visit(&self, machine: &str, visit: NewVisit) -> Result<VisitOpened, TappetError> {
        self.does(|kit| Ok(kit.resume_visit(given(machine, MACHINE)?, &visit.into())?.into()))
    }

    /// The person's own latest open visit to a machine, where there is one.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn open_visit_of(&self, machine: &str) -> Result<Option<String>, TappetError> {
        self.ask(|kit| Ok(kit.open_visit_of(given(machine, MACHINE)?)?.map(|visit| visit.to_string())))
    }

    /// The person's own latest open visit to a machine and whether it was handed over on this device, as JSON (`OwnVisit`, or `null`).
    ///
    /// # Errors
    /// Where the store fails.
    pub fn own_visit(&self, machine: &str) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.own_visit(given(machine, MACHINE)?)?))
    }

    /// The visit that the person goes on with, as JSON (`OwnVisit`, or `null`): their latest that is open and was not handed over.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn visit_to_go_on_with(&self) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.visit_to_go_on_with()?))
    }

    /// Hands the person's open visit over to somebody who may sign it off, with a note that tells others; it waits here until `take_up`.
    ///
    /// # Errors
    /// `not-found` where there is no open visit.
    pub fn hand_over(&self, machine: &str, note: &str) -> Result<String, TappetError> {
        self.does(|kit| Ok(kit.hand_over(given(machine, MACHINE)?, note)?.to_string()))
    }

    /// Takes a visit up again that was handed over.
    ///
    /// # Errors
    /// Where the store fails.
    pub fn take_up(&self, machine: &str) -> Result<(), TappetError> {
        self.does(|kit| kit.take_up(given(machine, MACHINE)?))
    }

    /// Where the guided check of the open visit is, as JSON: what is done, which valve is next, what would be left open.
    ///
    /// # Errors
    /// `not-found` where there is no open visit.
    pub fn guide(&self, machine: &str) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.guide(given(machine, MACHINE)?)?))
    }

    /// The first leaf to try on a valve, before anything is known of it; absent without an engine card.
    ///
    /// # Errors
    /// `not-found` where the book has no such machine.
    pub fn first_leaf(&self, machine: &str, valve: &str) -> Result<Option<NextLeaf>, TappetError> {
        self.ask(|kit| {
            let unit = kit.unit()?;
            let leaf = kit.first_leaf(given(machine, MACHINE)?, given(valve, VALVE)?)?;
            Ok(leaf.map(|leaf| crossing::next_leaf(&leaf, unit)))
        })
    }

    /// What the leaves tried so far on a valve say, as JSON: the bracket, the verdict if it were kept now, and what to ask
    /// next. Keeps nothing.
    ///
    /// # Errors
    /// `entry-invalid` for a leaf that cannot be, or that contradicts those before it.
    pub fn trial(&self, machine: &str, valve: &str, tried: Vec<LeafTried>) -> Result<String, TappetError> {
        self.ask(|kit| {
            let tried: Vec<_> = tried.into_iter().map(Into::into).collect();
            json(&kit.trial(given(machine, MACHINE)?, given(valve, VALVE)?, &tried)?)
        })
    }

    /// Keeps a reading and says at once what it means: the verdict, what to do next, how far to turn the adjuster.
    ///
    /// # Errors
    /// `entry-invalid` for leaves or a valve that cannot be.
    pub fn take_reading(&self, machine: &str, reading: NewReading) -> Result<ReadingKept, TappetError> {
        self.does(|kit| {
            let unit = kit.unit()?;
            Ok(crossing::reading_kept(kit.take_reading(given(machine, MACHINE)?, reading.entry()?)?, unit))
        })
    }

    /// Reads the hour meter, in tenths of an hour: 0 to 9,999,999, six digits and a tenth; more is refused. A reading that cannot be
    /// beside the others is kept too, and said to be in doubt.
    ///
    /// # Errors
    /// Having kept nothing.
    pub fn read_hours(&self, machine: &str, meter_tenth_h: i64) -> Result<HoursKept, TappetError> {
        self.does(|kit| Ok(kit.read_hours(given(machine, MACHINE)?, Hours::from_tenths(meter_tenth_h))?.into()))
    }

    /// Notes a changed hour meter: what the old one showed last and the new one first, and when it was changed (ms since 1970 UTC;
    /// absent: now). Gives the record.
    ///
    /// # Errors
    /// Having kept nothing.
    pub fn change_meter(&self, machine: &str, old_tenth_h: i64, new_tenth_h: i64, changed_ms: Option<i64>) -> Result<String, TappetError> {
        let change = MeterChange { old: Hours::from_tenths(old_tenth_h), new: Hours::from_tenths(new_tenth_h), changed_ms };
        self.does(|kit| Ok(kit.change_meter(given(machine, MACHINE)?, change)?.to_string()))
    }

    /// Notes a finding, or puts the machine on hold. Gives the record.
    ///
    /// # Errors
    /// Having kept nothing.
    pub fn add_finding(&self, machine: &str, grade: Grade, what: &str) -> Result<String, TappetError> {
        self.does(|kit| Ok(kit.add_finding(given(machine, MACHINE)?, grade.into(), what)?.to_string()))
    }

    /// Clears a finding or a hold. Gives the record.
    ///
    /// # Errors
    /// Having kept nothing.
    pub fn clear_finding(&self, finding: &str, how: &str) -> Result<String, TappetError> {
        self.does(|kit| Ok(kit.clear_finding(given(finding, RECORD)?, how)?.to_string()))
    }

    /// Leaves a note on a machine or a property. Gives the record.
    ///
    /// # Errors
    /// Having kept nothing.
    pub fn add_note(&self, doc: &str, text: &str) -> Result<String, TappetError> {
        self.does(|kit| Ok(kit.add_note(given(doc, "machine's or property's id")?, text)?.to_string()))
    }

    /// What a visit would leave open, one sentence each.
    ///
    /// # Errors
    /// `not-found` where the book has no such machine.
    pub fn left_open(&self, machine: &str, visit: &str) -> Result<Vec<String>, TappetError> {
        self.ask(|kit| kit.left_open(given(machine, MACHINE)?, given(visit, RECORD)?))
    }

    /// Finishes the person's own latest open visit; says what is left open.
    ///
    /// # Errors
    /// `not-found` where no visit is open, `role-may-not` where the role does not sign off.
    pub fn finish_visit(&self, machine: &str, remark: &str) -> Result<Finished, TappetError> {
        self.does(|kit| Ok(kit.finish_visit(given(machine, MACHINE)?, remark)?.into()))
    }

    /// Signs off somebody's visit, their own or another's; says what is left open.
    ///
    /// # Errors
    /// `not-found`; `role-may-not` where the role does not sign off.
    pub fn sign_off(&self, machine: &str, visit: &str, remark: &str) -> Result<Finished, TappetError> {
        self.does(|kit| Ok(kit.sign_off(given(machine, MACHINE)?, given(visit, RECORD)?, remark)?.into()))
    }

    /// Every engine card that stands, by name, as JSON: to choose from where a machine is entered.
    ///
    /// # Errors
    /// `not-enrolled`.
    pub fn engine_cards(&self) -> Result<String, TappetError> {
        self.ask(|kit| json(&kit.engine_cards()?))
    }

    /// Enters a machine that the list lacks, from its card as JSON (`MachineCard`): provisional, until the office confirms it. Gives its id.
    ///
    /// # Errors
    /// `entry-invalid` where its tag is in the book already, or is none; having kept nothing.
    pub fn add_machine(&self, card: &str) -> Result<String, TappetError> {
        self.does(|kit| Ok(kit.add_machine(given_json(card, "machine's card")?)?.to_string()))
    }

    /// The records about a machine or a property that this person may take back, newest first.
    ///
    /// # Errors
    /// `not-enrolled`.
    pub fn to_take_back(&self, doc: &str) -> Result<Vec<String>, TappetError> {
        self.ask(|kit| Ok(kit.to_take_back(given(doc, "machine's or property's id")?)?.iter().map(ToString::to_string).collect()))
    }

    /// Takes a record back. It stays in the book as history. Gives the record that says so.
    ///
    /// # Errors
    /// Having kept nothing.
    pub fn take_back(&self, record: &str, reason: &str) -> Result<String, TappetError> {
        self.does(|kit| Ok(kit.void(given(record, RECORD)?, reason)?.to_string()))
    }
}
