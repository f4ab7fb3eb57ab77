//! What the trade's arithmetic says of what is in the book: the numbers of `shared`, fed from ledgers, with plain words.
//!
//! Nothing here writes, and nothing here is a rule of its own: it picks the readings and asks `shared`.

mod course;
mod lash;
mod machine;
mod people;
mod week;

use std::sync::Arc;

use serde::Serialize;
use shared::bracket::Bracket;
use shared::hours::Hours;
use shared::ids::{DocId, RecordId};
use shared::record::{Body, Clearance, Stage};
use shared::slot::Slot;
use shared::valve::Valve;

pub use course::{CoursePoint, LashCourse};
pub use lash::{LeafPlan, TurnFacts};
pub use machine::{DriftFacts, DueFacts, MeterLine};
pub use people::AgreementFacts;

use crate::engine::BookError;
use crate::judge::hours::MachineHours;
use crate::judge::ledger::Ledger;
use crate::judge::machine::MachineState;
use crate::judge::roster::Roster;
use crate::queries::Reckoner;

/// A number and what it means.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Reckoned<T: Serialize> {
    /// The facts.
    pub facts: T,
    /// What they mean, in sentences.
    pub words: Vec<String>,
}

/// A text as a sentence: a capital first, a full stop last.
pub(crate) fn sentence(text: impl std::fmt::Display) -> String {
    let text = text.to_string();
    let mut letters = text.chars();
    let capital: String = letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default();
    if capital.ends_with('.') { capital } else { format!("{capital}.") }
}

/// What the arithmetic cannot answer, as the book's error.
pub(crate) fn cannot(error: impl std::fmt::Display) -> BookError {
    BookError::Reckoning(sentence(error))
}

/// A live clearance reading, with when and at how many engine hours it was taken.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ReadingTaken<'a> {
    pub(crate) reading: &'a Clearance,
    pub(crate) bracket: Bracket,
    pub(crate) by: shared::ids::PersonId,
    pub(crate) at_ms: i64,
}

impl Reckoner<'_> {
    /// The state and ledger of a machine.
    pub(crate) fn machine_ledger(&self, machine: DocId) -> Result<(MachineState, Arc<Ledger>), BookError> {
        Ok((self.book.finder().known_machine(machine)?, self.book.store.records().ledger_of(machine)?))
    }

    /// The machine's hours as judged, with what rulings let in.
    pub(crate) fn judged_hours(&self, ledger: &Ledger) -> Result<MachineHours, BookError> {
        Ok(MachineHours::of(ledger, self.book.roster()?))
    }
}

/// The live, cold and plausible readings of a valve at a stage, oldest first.
pub(crate) fn readings_taken<'a>(ledger: &'a Ledger, roster: &Roster, valve: Valve, stage: Stage) -> Vec<ReadingTaken<'a>> {
    let mut taken: Vec<(i64, RecordId, ReadingTaken<'a>)> = ledger
        .in_slot(&Slot::Lash(valve, stage))
        .iter()
        .filter(|id| ledger.voided_by(**id, roster).is_none())
        .filter_map(|id| ledger.get(*id))
        .filter_map(|entry| match &entry.record.body {
            Body::Clearance(reading) if reading.cold && crate::judge::plausible::clearance(reading, None).is_none() => {
                let at_ms = ledger.time(entry.record.id).ms;
                let bracket = reading.bracket().ok()?;
                Some((at_ms, entry.record.id, ReadingTaken { reading, bracket, by: entry.record.measurer(), at_ms }))
            }
            _ => None,
        })
        .collect();
    taken.sort_by_key(|(at, id, _)| (*at, *id));
    taken.into_iter().map(|(_, _, taken)| taken).collect()
}

/// Engine hours at a time, from the readings on the chain: between two of them by the straight line.
pub(crate) fn hours_at(chain: &[(i64, Hours)], at_ms: i64) -> Option<Hours> {
    let after = chain.partition_point(|(at, _)| *at <= at_ms);
    match (after.checked_sub(1).and_then(|n| chain.get(n)), chain.get(after)) {
        (Some((t0, h0)), Some((t1, h1))) if t1 > t0 => {
            let part = i128::from(at_ms - t0) * i128::from(h1.tenths() - h0.tenths()) / i128::from(t1 - t0);
            Some(h0.plus(Hours::from_tenths(i64::try_from(part).unwrap_or(0))))
        }
        (Some((_, hours)), _) | (None, Some((_, hours))) => Some(*hours),
        (None, None) => None,
    }
}
