//! People: what tightening does to their settings, and how far their leaves agree.

use std::collections::BTreeMap;

use jiff::civil::Date;
use serde::Serialize;
use shared::agreement::{Anova, AverageRange, Crossed, DEFAULT_POOLING_ALPHA, Judged, RepeatReading, Study, anova, average_and_range};
use shared::carry::{Carry, CarryPair, carry};
use shared::ids::{PersonId, RecordId};
use shared::length::{Length, LengthUnit};
use shared::record::Stage;
use shared::valve::{MOST_CYLINDERS, Valve};

use super::{ReadingTaken, Reckoned, cannot, readings_taken};
use crate::engine::BookError;
use crate::queries::Reckoner;

/// How far people agree, by both methods.
#[derive(Debug, Clone, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct AgreementFacts {
    /// The valves that everyone read, as machine and valve.
    pub parts: Vec<String>,
    /// The people.
    pub people: Vec<String>,
    /// Readings of each valve by each person.
    pub trials: usize,
    /// The narrowest range of those valves, high less low, where every engine has a card with a source.
    #[serde(rename = "tolerance_tenth_um")]
    pub tolerance: Option<Length>,
    /// How good the measuring is, by each method that has an answer, and what it was held against.
    pub judged: Vec<Judged>,
    /// By the average-and-range method, where its table of constants reaches.
    pub average_range: Option<AverageRange>,
    /// By analysis of variance.
    pub anova: Option<Anova>,
    /// Why one of them is absent, and what was left out.
    pub remarks: Vec<String>,
}

impl Reckoner<'_> {
    /// What tightening the lock nut does to a person's settings: *set* against *left*, over all machines.
    ///
    /// # Errors
    /// [`BookError::Reckoning`] where no valve was read both ways.
    pub fn carry_of(&self, person: PersonId, unit: LengthUnit) -> Result<Reckoned<Carry>, BookError> {
        let roster = self.book.roster()?;
        if !roster.people.contains_key(&person) {
            return Err(BookError::Unknown("this book has no such person".to_owned()));
        }
        let mut pairs = Vec::new();
        for row in self.book.store.machine_rows().machines()? {
            let ledger = self.book.store.records().ledger_of(row.doc)?;
            for valve in Valve::all(MOST_CYLINDERS) {
                // The person's own, by visit, each in the order of time.
                let mut left: BTreeMap<Option<RecordId>, Vec<ReadingTaken<'_>>> = BTreeMap::new();
                for taken in readings_taken(&ledger, roster, valve, Stage::Left).into_iter().filter(|left| left.by == person) {
                    left.entry(taken.reading.visit).or_default().push(taken);
                }
                for set in readings_taken(&ledger, roster, valve, Stage::Set).iter().filter(|set| set.by == person) {
                    let of_visit = left.get(&set.reading.visit).map_or(&[][..], Vec::as_slice);
                    let after = of_visit.get(of_visit.partition_point(|left| left.at_ms < set.at_ms));
                    pairs.extend(after.map(|l| CarryPair { set: set.bracket, left: l.bracket }));
                }
            }
        }
        let facts = carry(&pairs).map_err(cannot)?;
        let name = self.book.roster()?.name(person);
        Ok(Reckoned { words: vec![facts.words(&name, unit)], facts })
    }

    /// How far people agree: repeat readings of the same valves as found, on one day or on any.
    ///
    /// # Errors
    /// [`BookError::Reckoning`] where no valves were read repeatedly by the same people.
    pub fn agreement(&self, day: Option<Date>, unit: LengthUnit) -> Result<Reckoned<AgreementFacts>, BookError> {
        let roster = self.book.roster()?;
        let mut readings = Vec::new();
        let mut widths = BTreeMap::new();
        for row in self.book.store.machine_rows().machines()? {
            let ledger = self.book.store.records().ledger_of(row.doc)?;
            let card = self.book.machines().card_of(&row.state)?.filter(|card| card.source.is_some());
            for valve in Valve::all(MOST_CYLINDERS) {
                for taken in readings_taken(&ledger, roster, valve, Stage::Found) {
                    let on = roster.day(taken.at_ms);
                    if day.is_none_or(|day| day == on) {
                        // A valve on another day is another part: the engine has run since.
                        let part = format!("{} {valve} on {on}", row.state.tag());
                        let width = card.as_ref().and_then(|card| card.range(valve.side())).map(|range| range.high.minus(range.low));
                        widths.insert(part.clone(), width);
                        readings.push(RepeatReading { part, person: roster.name(taken.by), bracket: taken.bracket });
                    }
                }
            }
        }
        let crossed: Crossed = Study::from_readings(&readings).map_err(cannot)?;
        let (ranges, variance) = (average_and_range(&crossed.study), anova(&crossed.study, DEFAULT_POOLING_ALPHA));
        // A part without a range leaves no tolerance for all of them: nothing is below every length.
        let tolerance = crossed.parts.iter().map(|part| widths.get(part).copied().flatten()).min().flatten();
        let in_tenths = tolerance.map(|width: Length| width.mm() * 10_000.0);
        let mut words = Vec::new();
        let mut remarks = Vec::new();
        let mut judged = Vec::new();
        let spreads = [ranges.as_ref().map(|facts| &facts.spread), variance.as_ref().map(|facts| &facts.spread)];
        for spread in &spreads {
            match spread {
                Ok(spread) => {
                    // The same for both methods: what was read, said once.
                    if words.is_empty() {
                        words.push(crossed.words(spread, unit));
                    }
                    words.push(spread.words(in_tenths));
                    judged.push(spread.judged(in_tenths));
                }
                Err(why) => remarks.push(cannot(why).to_string()),
            }
        }
        if words.is_empty() {
            return Err(BookError::Reckoning(remarks.join(" ")));
        }
        let facts = AgreementFacts {
            trials: crossed.study.trials(),
            parts: crossed.parts,
            people: crossed.people,
            tolerance,
            judged,
            average_range: ranges.ok(),
            anova: variance.ok(),
            remarks,
        };
        Ok(Reckoned { facts, words })
    }
}
