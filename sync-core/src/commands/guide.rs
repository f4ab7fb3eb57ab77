//! The guided check: what is to be done next with each valve of a visit, by what the visit has already.
//!
//! Follows from records alone, so that a check that was broken off goes on where it was, on this device or another.

use serde::Serialize;
use shared::caution::{self, Caution, LOCKING, TURNING_OVER};
use shared::cold::Cold;
use shared::engine_card::{EngineCard, piston};
use shared::ids::{DocId, RecordId};
use shared::leaf::LeafSet;
use shared::length::LengthUnit;
use shared::record::{Body, Clearance, Stage};
use shared::valve::Valve;
use shared::verdict::{Gross, Verdict, Why, gross_on_card, judge_on_card, next_leaf};

use super::next_of;
use super::reading::ReadingOutcome;
use crate::commands::Advisor;
use crate::engine::BookError;
use crate::judge::ledger::Ledger;
use crate::judge::machine::OpenFinding;
use crate::judge::roster::Roster;
use crate::queries::of_visit::{of_visit, readings_of, was_asked};
use crate::sys::clock::ClockReading;

/// What is to be done with a valve.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "step")]
pub enum Step {
    /// Read it.
    Read {
        /// At this stage.
        stage: Stage,
    },
    /// So far out of range that something else is more likely wrong: look at that, and read it again, before anything is turned.
    LookFirst {
        /// At this stage.
        stage: Stage,
        /// How it is off.
        gross: Gross,
    },
    /// Out of range: turn its adjuster, lock it, and read it as set.
    Adjust,
    /// Set and locked: turn the engine over twice by hand, come back to top dead center, and read it as left.
    TurnOver,
    /// The last reading settled nothing: read again at its own stage, once what was in the way is gone.
    ReadAgain {
        /// At this stage.
        stage: Stage,
    },
    /// Read at an end of the range, and no leaf at hand tells on which side: setting it to the aim ends that.
    SetToAim,
    /// Nothing.
    Done,
}

/// The last reading of a valve in a visit, as far as what comes next follows from it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reached {
    /// Its stage.
    pub stage: Stage,
    /// Its verdict, where there is a card to judge by.
    pub verdict: Option<Verdict>,
    /// How it is so far off that it is asked about first.
    pub gross: Option<Gross>,
    /// The reading before it at the same stage was so far off in the same way: it was asked about.
    pub asked: bool,
    /// It is not settled, and no leaf at hand tells more.
    pub stuck: bool,
    /// The engine was turned over since: another valve of its cylinder was read as left after it.
    pub turned_over: bool,
}

impl Step {
    /// What follows the last reading of a valve in a visit.
    #[must_use]
    pub const fn after(last: Option<Reached>) -> Self {
        let Some(Reached { stage, verdict, gross, asked, stuck, turned_over }) = last else { return Self::Read { stage: Stage::Found } };
        if let (Some(gross), false) = (gross, asked) {
            return Self::LookFirst { stage, gross };
        }
        match (stage, verdict) {
            (_, Some(Verdict::Tight | Verdict::Loose)) => Self::Adjust,
            (Stage::Set, _) if turned_over => Self::Read { stage: Stage::Left },
            (Stage::Set, _) => Self::TurnOver,
            (_, Some(Verdict::NotSettled(Why::LeafEdge))) if stuck => Self::SetToAim,
            (stage, Some(Verdict::NotSettled(_))) => Self::ReadAgain { stage },
            (Stage::Found | Stage::Left, Some(Verdict::InSpec) | None) => Self::Done,
        }
    }

    /// The stage at which the valve is read once this step is done; `None` where nothing is left to do.
    #[must_use]
    pub const fn reads(self) -> Option<Stage> {
        match self {
            Self::Read { stage } | Self::ReadAgain { stage } | Self::LookFirst { stage, .. } => Some(stage),
            Self::Adjust | Self::SetToAim => Some(Stage::Set),
            Self::TurnOver => Some(Stage::Left),
            Self::Done => None,
        }
    }

    /// The stage at which the valve is read next, whatever is to be done: read once more where nothing is, it is at its last stage.
    #[must_use]
    pub fn reads_after(self, last: Option<Stage>) -> Stage {
        self.reads().or(last).unwrap_or(Stage::Found)
    }

    /// What to look out for while it is done.
    #[must_use]
    pub const fn cautions(self) -> &'static [Caution] {
        match self {
            Self::Adjust | Self::SetToAim => &LOCKING,
            Self::TurnOver => &TURNING_OVER,
            Self::Read { .. } | Self::ReadAgain { .. } | Self::LookFirst { .. } | Self::Done => &[],
        }
    }

    /// Whether it waits until it is asked for: what is in the way of it may still be there.
    #[must_use]
    pub const fn waits(self) -> bool {
        matches!(self, Self::ReadAgain { .. } | Self::SetToAim)
    }

    /// What to confirm before the leaves are tried; empty where there is nothing to.
    #[must_use]
    pub const fn to_confirm(self) -> &'static str {
        match self {
            Self::LookFirst { gross, .. } => gross.to_confirm(),
            Self::SetToAim => "set to the aim, and locked again?",
            Self::Adjust => "adjusted, and locked again?",
            Self::TurnOver => "engine turned over twice by hand, and back at top dead center?",
            Self::Read { .. } | Self::ReadAgain { .. } | Self::Done => "",
        }
    }
}

/// One valve of a check.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ValveGuide {
    /// Which.
    pub valve: Valve,
    /// That in words.
    pub words: String,
    /// Where the piston must be before its leaves are tried.
    pub piston: String,
    /// It is to be there before what is to be confirmed; not where turning the engine over brings it back.
    pub piston_first: bool,
    /// What is to be done.
    #[serde(flatten)]
    pub next: Step,
    /// The stage at which it is read next; of a valve that is done, the stage at which another reading of it would be.
    pub reads_at: Stage,
    /// What to confirm before that; empty where there is nothing to.
    pub confirm: &'static str,
    /// What to look out for while that is done, each a sentence.
    pub cautions: Vec<&'static str>,
    /// The stage of the last reading in this visit.
    pub last_stage: Option<Stage>,
    /// What that reading means.
    pub last: Option<ReadingOutcome>,
}

/// A check under way.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Guide {
    /// The machine.
    pub machine: DocId,
    /// Its tag.
    pub tag: String,
    /// The visit.
    pub visit: RecordId,
    /// What was found on it that forbids running it: to be shown before any step.
    pub holds: Vec<OpenFinding>,
    /// How cold the engine is for a reading taken now.
    pub cold: Cold,
    /// What to ask before the check goes on, where that does not count; empty where it does.
    pub cold_words: String,
    /// The engine card, where it has a source: else nothing is judged.
    pub card: Option<EngineCard>,
    /// The valves, cylinder by cylinder.
    pub valves: Vec<ValveGuide>,
    /// The valve to go on with, by [`next_of`]; `None` where each is done, or waits to be read again.
    pub next: Option<Valve>,
    /// The hour meter was read in this visit.
    pub hours_read: bool,
    /// What the visit would leave open if it were finished now, one sentence each.
    pub open: Vec<String>,
}

impl Advisor<'_> {
    /// Where the check of a visit is. The person's own latest open visit where none is named.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where there is no such machine, or no open visit; the store.
    pub fn guide(
        &self,
        machine: DocId,
        visit: Option<RecordId>,
        set: &LeafSet,
        unit: LengthUnit,
        now: &ClockReading,
    ) -> Result<Guide, BookError> {
        let state = self.book.finder().known_machine(machine)?;
        let visit = match visit {
            Some(visit) => visit,
            None => {
                self.open_visit_of(machine, None)?.ok_or_else(|| BookError::Unknown("you have no open visit to this machine".to_owned()))?
            }
        };
        let engine = self.book.machines().card_of(&state)?;
        let cylinders = state.card.as_ref().and_then(|c| c.cylinders).or(engine.as_ref().map(|c| c.cylinders)).unwrap_or(1);
        let card = engine.as_ref().filter(|card| card.source.is_some());
        let cold = state.cold_at(Some(visit), self.book.reader().shop_now_ms(now)?);
        let ledger = self.book.store.records().ledger_of(machine)?;
        let roster = self.book.roster()?;
        let mut valves = Vec::new();
        let none_set = engine.as_ref().is_some_and(|card| card.hydraulic);
        for valve in Valve::all(if none_set { 0 } else { cylinders }) {
            let last = last_reading(&ledger, roster, visit, valve);
            let next = Step::after(reached(&ledger, roster, visit, valve, card, set));
            let outcome = last.map(|(id, reading)| self.meaning(machine, id, reading, engine.as_ref(), set, unit)).transpose()?;
            valves.push(ValveGuide {
                valve,
                words: valve.words(),
                piston: piston(valve.cylinder(), card, unit),
                piston_first: next != Step::TurnOver,
                next,
                reads_at: next.reads_after(last.map(|(_, reading)| reading.stage)),
                confirm: next.to_confirm(),
                cautions: next.cautions().iter().map(|caution| caution.words()).collect(),
                last_stage: last.map(|(_, reading)| reading.stage),
                last: outcome,
            });
        }
        Ok(Guide {
            machine,
            tag: state.tag().to_owned(),
            visit,
            holds: state.holds().cloned().collect(),
            cold_words: cold.words(),
            cold,
            next: next_of(valves.iter().filter(|valve| !valve.next.waits()).map(|valve| (valve.valve, valve.next))),
            valves,
            hours_read: hours_read(&ledger, roster, visit),
            open: self.left_open(machine, visit)?,
            card: card.cloned(),
        })
    }

    /// What comes before a hand goes near a machine's engine, by how its card says it fires.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the book has no such machine; the store.
    pub fn cautions(&self, machine: DocId) -> Result<Vec<Caution>, BookError> {
        let card = self.book.machines().card_of(&self.book.finder().known_machine(machine)?)?;
        Ok(caution::before(card.and_then(|card| card.ignition)))
    }

    /// Whether the hour meter was read in a visit.
    ///
    /// # Errors
    /// [`BookError`] where the store fails.
    pub fn hours_read_in(&self, machine: DocId, visit: RecordId) -> Result<bool, BookError> {
        Ok(hours_read(&*self.book.store.records().ledger_of(machine)?, self.book.roster()?, visit))
    }
}

fn reached(ledger: &Ledger, roster: &Roster, visit: RecordId, valve: Valve, card: Option<&EngineCard>, set: &LeafSet) -> Option<Reached> {
    let (id, last) = last_reading(ledger, roster, visit, valve)?;
    Some(Reached {
        stage: last.stage,
        verdict: card.map(|card| judge_on_card(last, card)),
        gross: card.and_then(|card| gross_on_card(last, card)),
        stuck: card.is_some_and(|card| {
            last.bracket().is_ok_and(|b| card.range(valve.side()).is_some_and(|range| next_leaf(Some(&b), &range, set, None).is_none()))
        }),
        asked: card.is_some_and(|card| was_asked(ledger, roster, id, last, card)),
        turned_over: of_visit(ledger, roster, visit)
            .skip_while(|(other, _)| *other != id)
            .any(|(_, later)| later.stage == Stage::Left && later.valve.cylinder() == valve.cylinder()),
    })
}

/// The last reading of a valve in a visit that was not taken back.
fn last_reading<'l>(ledger: &'l Ledger, roster: &Roster, visit: RecordId, valve: Valve) -> Option<(RecordId, &'l Clearance)> {
    readings_of(ledger, roster, visit, valve).last()
}

fn hours_read(ledger: &Ledger, roster: &Roster, visit: RecordId) -> bool {
    let mut entries = ledger.entries();
    entries.any(|entry| match &entry.record.body {
        Body::Hours(hours) => hours.visit == Some(visit) && ledger.voided_by(entry.record.id, roster).is_none(),
        _ => false,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_valve_goes_from_found_over_set_to_left() {
        let open = Verdict::NotSettled(Why::LeafEdge);
        let after =
            |stage, verdict| Step::after(Some(Reached { stage, verdict, gross: None, asked: false, stuck: false, turned_over: false }));
        assert_eq!(Step::after(None), Step::Read { stage: Stage::Found });
        assert_eq!(after(Stage::Found, Some(Verdict::InSpec)), Step::Done);
        assert_eq!(after(Stage::Found, Some(Verdict::Tight)), Step::Adjust);
        assert_eq!(after(Stage::Set, Some(Verdict::Loose)), Step::Adjust);
        assert_eq!(after(Stage::Set, Some(Verdict::InSpec)), Step::TurnOver);
        // Whatever was read as set, the engine is turned over before it counts.
        assert_eq!(after(Stage::Set, Some(open)), Step::TurnOver);
        assert_eq!(after(Stage::Set, None), Step::TurnOver);
        let turned = Reached { stage: Stage::Set, verdict: None, gross: None, asked: false, stuck: false, turned_over: true };
        assert_eq!(Step::after(Some(turned)), Step::Read { stage: Stage::Left });
        assert_eq!(after(Stage::Left, Some(Verdict::Tight)), Step::Adjust);
        assert_eq!(after(Stage::Left, Some(open)), Step::ReadAgain { stage: Stage::Left });
        assert_eq!(after(Stage::Left, None), Step::Done);
        // A valve that is done is read once more where it was read last: found stays found, and left is not found again.
        assert_eq!(Step::Done.reads_after(Some(Stage::Left)), Stage::Left);
        assert_eq!(Step::Adjust.reads_after(Some(Stage::Found)), Stage::Set);
        assert_eq!(Step::after(None).reads_after(None), Stage::Found);
        // At an end of the range, with no leaf that tells more: it need not stay open for ever.
        let edge = Reached { stage: Stage::Found, verdict: Some(open), gross: None, asked: false, stuck: true, turned_over: false };
        assert_eq!((Step::after(Some(edge)), Step::SetToAim.reads()), (Step::SetToAim, Some(Stage::Set)));
        let warm = Reached { verdict: Some(Verdict::NotSettled(Why::NotCold)), ..edge };
        assert_eq!(Step::after(Some(warm)), Step::ReadAgain { stage: Stage::Found });
        // Far off, it is looked at and read again where it was read; only then is it turned.
        let loose = Reached { stage: Stage::Found, verdict: Some(Verdict::Loose), gross: Some(Gross::FarLoose), ..edge };
        let look = Step::after(Some(loose));
        assert_eq!((look, look.reads()), (Step::LookFirst { stage: Stage::Found, gross: Gross::FarLoose }, Some(Stage::Found)));
        assert_eq!(Step::after(Some(Reached { asked: true, ..loose })), Step::Adjust);
        // What is looked out for is said at its step.
        assert_eq!((Step::Adjust.cautions(), Step::TurnOver.cautions()), (&LOCKING[..], &TURNING_OVER[..]));
    }
}
