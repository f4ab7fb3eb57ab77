//! The course of each valve's clearance over engine hours: every reading on its place, and the range it is held against.

use serde::Serialize;
use shared::bracket::Bracket;
use shared::engine_card::Range;
use shared::hours::Hours;
use shared::ids::DocId;
use shared::length::LengthUnit;
use shared::record::Stage;
use shared::valve::Valve;

use super::{ReadingTaken, hours_at, readings_taken};
use crate::engine::BookError;
use crate::queries::Reckoner;
use crate::queries::bounds::MOST_POINTS;

/// A cold and plausible reading on its valve's course.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct CoursePoint {
    /// Corrected time, ms since 1970 UTC.
    pub at_ms: i64,
    /// That, as the shop's clock shows it.
    pub when: String,
    /// Engine hours then, where the meter's chain tells.
    #[serde(rename = "engine_tenth_h")]
    pub engine: Option<Hours>,
    /// When in the work it was taken.
    pub stage: Stage,
    /// What it says.
    #[serde(flatten)]
    pub bracket: Bracket,
    /// That in words.
    pub words: String,
    /// Who measured.
    pub by: String,
}

/// One valve's course.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LashCourse {
    /// The valve.
    pub valve: Valve,
    /// The engine card's range, where the card names its source.
    pub range: Option<Range>,
    /// The readings, oldest first: the latest of them, as many as are shown.
    pub points: Vec<CoursePoint>,
    /// How many earlier ones there are.
    pub earlier: usize,
    /// How the clearance drifts, in sentences; or why that cannot be said.
    pub drift: Vec<String>,
}

impl Reckoner<'_> {
    /// The course of every valve of a machine.
    ///
    /// # Errors
    /// [`BookError::Unknown`] where the book has no such machine.
    pub fn lash_courses(&self, machine: DocId, unit: LengthUnit) -> Result<Vec<LashCourse>, BookError> {
        let (state, ledger) = self.machine_ledger(machine)?;
        let roster = self.book.roster()?;
        let chain = self.judged_hours(&ledger)?.on_chain();
        let card = self.book.machines().card_of(&state)?;
        let cylinders = state.card.as_ref().and_then(|c| c.cylinders).or(card.as_ref().map(|c| c.cylinders)).unwrap_or(1);
        let card = card.filter(|card| card.source.is_some());
        let mut courses = Vec::new();
        for valve in Valve::all(cylinders) {
            let mut taken: Vec<(Stage, ReadingTaken<'_>)> = Vec::new();
            for stage in Stage::ALL {
                taken.extend(readings_taken(&ledger, roster, valve, stage).into_iter().map(|taken| (stage, taken)));
            }
            taken.sort_by_key(|(stage, taken)| (taken.at_ms, *stage));
            let earlier = taken.len().saturating_sub(MOST_POINTS);
            let point = |(stage, taken): (Stage, ReadingTaken<'_>)| CoursePoint {
                at_ms: taken.at_ms,
                when: roster.local(taken.at_ms),
                engine: hours_at(&chain, taken.at_ms),
                stage,
                bracket: taken.bracket,
                words: taken.bracket.show(unit),
                by: roster.name(taken.by),
            };
            let points = taken.into_iter().skip(earlier).map(point).collect();
            let drift = match self.drift_of(machine, valve, unit) {
                Ok(reckoned) => reckoned.words,
                Err(BookError::Reckoning(why)) => vec![why],
                Err(other) => return Err(other),
            };
            courses.push(LashCourse { valve, range: card.as_ref().and_then(|card| card.range(valve.side())), points, earlier, drift });
        }
        Ok(courses)
    }
}
