//! A visit from its opening to its finish, and the hour meter.

use serde::{Deserialize, Serialize};
use shared::cold::Cold;
use shared::engine_card::LISTEN;
use shared::hours::Hours;
use shared::ids::{DocId, RecordId};
use shared::record::{HourReading, SignOff, Visit};
use shared::slot::Slot;
use shared::valve::Valve;
use shared::verdict::{Verdict, judge_on_card};

use super::ActionContext;
use crate::book::Draft;
use crate::commands::{Advisor, Author};
use crate::engine::BookError;
use crate::judge::machine::OpenFinding;
use crate::judge::standing::State;
use crate::queries::last_of_visit;
use crate::sys::clock::ClockReading;

/// What is needed to open a visit.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct VisitEntry {
    /// The engine is cold, confirmed by hand.
    pub cold: bool,
    /// Its temperature in tenths of a degree Celsius, where measured.
    #[serde(default)]
    pub engine_tenth_c: Option<i32>,
    /// The cautions were shown and confirmed.
    pub cautions_confirmed: bool,
    /// Why the machine is visited.
    #[serde(default)]
    pub purpose: String,
    /// What the hour meter shows.
    #[serde(rename = "meter_tenth_h", default)]
    pub meter: Option<Hours>,
}

impl VisitEntry {
    /// The record that says so, of a new visit or of one that is gone on with.
    fn stated(&self, resumes: Option<RecordId>) -> Result<Visit, BookError> {
        if !self.cautions_confirmed {
            return Err(BookError::Entry("A visit is opened once its cautions have been read and confirmed.".to_owned()));
        }
        let purpose = self.purpose.clone();
        Ok(Visit { cold: self.cold, engine_tenth_c: self.engine_tenth_c, cautions_confirmed: true, purpose, resumes })
    }
}

/// A visit opened, or gone on with.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct VisitOutcome {
    /// The visit.
    pub visit: RecordId,
    /// The hour reading, where one was given.
    pub hours: Option<HoursOutcome>,
    /// Visits of this person to this machine that are open besides.
    pub also_open: usize,
    /// What was found on the machine that forbids running it: to be shown before any step.
    pub holds: Vec<OpenFinding>,
}

/// An hour reading kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct HoursOutcome {
    /// The reading.
    pub record: RecordId,
    /// Why it cannot be, with the likely slip; absent where it can.
    pub doubt: Option<String>,
}

/// A visit finished.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FinishOutcome {
    /// The sign-off.
    pub record: RecordId,
    /// The visit.
    pub visit: RecordId,
    /// Every valve was left in range; of hydraulic lash, what was heard is said.
    pub complete: bool,
    /// What was left open, one sentence each.
    pub open: Vec<String>,
}

impl Author<'_> {
    /// Opens a visit, with its hour reading: both are kept, or neither.
    ///
    /// # Errors
    /// [`BookError::Entry`] where the cautions were not confirmed; any other having kept nothing.
    pub fn open_visit(&mut self, machine: DocId, entry: &VisitEntry, hand: &mut ActionContext<'_>) -> Result<VisitOutcome, BookError> {
        let stated = entry.stated(None)?;
        self.begin_with(machine, stated, entry.meter, hand)
    }

    /// Goes on with the person's own latest open visit: the cautions confirmed once more, and what the engine is like now.
    ///
    /// # Errors
    /// As [`Author::open_visit`]; [`BookError::Unknown`] where no visit is open.
    pub fn resume_visit(&mut self, machine: DocId, entry: &VisitEntry, hand: &mut ActionContext<'_>) -> Result<VisitOutcome, BookError> {
        let visit = self.book.advisor().open_visit_of(machine, hand.measured_by)?;
        let visit = visit.ok_or_else(|| BookError::Unknown("you have no open visit to this machine".to_owned()))?;
        let stated = entry.stated(Some(visit))?;
        self.begin_with(machine, stated, entry.meter, hand)
    }

    fn begin_with(
        &mut self,
        machine: DocId,
        stated: Visit,
        meter: Option<Hours>,
        hand: &mut ActionContext<'_>,
    ) -> Result<VisitOutcome, BookError> {
        let state = self.book.finder().known_machine(machine)?;
        let person = hand.measured_by.unwrap_or(self.book.writer()?.person);
        let resumes = stated.resumes;
        let also_open = state.open_visits().filter(|v| v.by == person && Some(v.visit) != resumes).count();
        let holds = state.holds().cloned().collect();
        self.book.as_one(|book| {
            let record = book.author().state_one(machine, stated, hand)?;
            let hours = meter.map(|meter| book.author().read_hours(machine, meter, hand)).transpose()?;
            Ok(VisitOutcome { visit: resumes.unwrap_or(record), hours, also_open, holds })
        })
    }
}

impl Advisor<'_> {
    /// How cold the engine is for a reading taken now in a visit.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the book has no such machine; the store.
    pub fn cold_now(&self, machine: DocId, visit: Option<RecordId>, now: &ClockReading) -> Result<Cold, BookError> {
        Ok(self.book.finder().known_machine(machine)?.cold_at(visit, self.book.reader().shop_now_ms(now)?))
    }
}

impl Author<'_> {
    /// Reads the hour meter. A reading that cannot be is kept too, and said to be in doubt.
    ///
    /// # Errors
    /// [`BookError`], having kept nothing.
    pub fn read_hours(&mut self, machine: DocId, meter: Hours, hand: &mut ActionContext<'_>) -> Result<HoursOutcome, BookError> {
        self.book.finder().known_machine(machine)?;
        let visit = self.book.advisor().open_visit_of(machine, hand.measured_by)?;
        let record = self.state_one(machine, HourReading { meter, visit }, hand)?;
        let standing = self.book.store.projections().standing(machine, &Slot::Hours)?;
        // One that outweighs what it contradicts stands, and whoever read it is told all the same.
        let doubt = standing.and_then(|s| {
            let contradicts = s.state == State::Contested;
            s.aside.into_iter().find(|a| a.id == record).map(|a| a.why.to_string()).or_else(|| contradicts.then(|| s.reason.to_string()))
        });
        Ok(HoursOutcome { record, doubt })
    }

    /// Finishes a visit; says what is left open. The person's own latest open visit where none is named.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where no visit is open; any other having kept nothing.
    pub fn finish_visit(
        &mut self,
        machine: DocId,
        visit: Option<RecordId>,
        remark: &str,
        hand: &mut ActionContext<'_>,
    ) -> Result<FinishOutcome, BookError> {
        let state = self.book.finder().known_machine(machine)?;
        let visit = match visit {
            Some(visit) => visit,
            None => self
                .book
                .advisor()
                .open_visit_of(machine, hand.measured_by)?
                .ok_or_else(|| BookError::Unknown("you have no open visit to this machine".to_owned()))?,
        };
        let mut open = self.book.advisor().left_open(machine, visit)?;
        // Of hydraulic lash the remark is the check: what was heard.
        if !remark.trim().is_empty() && self.book.machines().card_of(&state)?.is_some_and(|card| card.hydraulic) {
            open.clear();
        }
        let sign_off = SignOff { visit, complete: open.is_empty(), remark: remark.to_owned() };
        let draft = Draft { doc: machine, body: sign_off.into(), measured_by: hand.measured_by };
        let record = self.book.write(vec![draft], &hand.now, hand.entropy)?.pop();
        let record = record.ok_or_else(|| BookError::Defect("nothing was written".to_owned()))?;
        Ok(FinishOutcome { record, visit, complete: open.is_empty(), open })
    }
}

impl Advisor<'_> {
    /// What a visit leaves open, valve by valve; of hydraulic lash what is left to hear.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn left_open(&self, machine: DocId, visit: RecordId) -> Result<Vec<String>, BookError> {
        let state = self.book.finder().known_machine(machine)?;
        let card = self.book.machines().card_of(&state)?;
        if card.as_ref().is_some_and(|card| card.hydraulic) {
            return Ok(LISTEN.map(str::to_owned).to_vec());
        }
        let card = card.filter(|card| card.source.is_some());
        let roster = self.book.roster()?;
        let ledger = self.book.store.records().ledger_of(machine)?;
        let cylinders = state.card.as_ref().and_then(|c| c.cylinders).or(card.as_ref().map(|c| c.cylinders));
        let mut open = Vec::new();
        for valve in Valve::all(cylinders.unwrap_or(1)) {
            let Some(reading) = last_of_visit(&ledger, visit, valve, roster) else {
                open.push(format!("{valve} has no reading as left in this visit."));
                continue;
            };
            match card.as_ref().map(|card| judge_on_card(reading, card)) {
                Some(Verdict::InSpec) => {}
                Some(verdict) => open.push(format!("{valve} was left {}.", verdict.word())),
                None if reading.go.is_some() && reading.no_go.is_some() => {}
                None => open.push(format!("{valve} was read with one leaf only.")),
            }
        }
        Ok(open)
    }
}
