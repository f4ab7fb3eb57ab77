//! One valve: how sure the verdict is, which leaves settle it, how far to turn, and what a warm reading is worth.

use serde::Serialize;
use shared::adjuster::{BOTH_SIDES_FIRST, Turn, TurnRange, carry_tolerated, to_aim};
use shared::conformance::{Decided, Spread, decide};
use shared::engine_card::{EngineCard, Range};
use shared::ids::DocId;
use shared::leaf::LeafSet;
use shared::length::LengthUnit;
use shared::record::{Body, Stage};
use shared::text::count;
use shared::thermal::{Train, WarmEstimate, estimate_cold};
use shared::valve::Valve;
use shared::verdict::{Proof, leaf_plan, next_leaf, setting_words};

use super::{Reckoned, cannot};
use crate::engine::BookError;
use crate::judge::machine::Lash;
use crate::queries::Reckoner;

/// The sequence of leaves that settles a valve's verdict: the aim, one beside it, then the limits.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct LeafPlan {
    /// The valve.
    pub valve: Valve,
    /// The most tries that it takes.
    pub most_tries: usize,
    /// The plan, line by line.
    pub lines: Vec<String>,
}

/// How far to turn an adjuster.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct TurnFacts {
    /// The valve.
    pub valve: Valve,
    /// To the aim; absent where the reading does not tell how far.
    pub turn: Option<TurnRange>,
    /// How far the lock nut may drag the adjuster before the range is lost.
    pub carry: Turn,
}

/// The range of a valve.
fn range_of(card: &EngineCard, valve: Valve) -> Result<Range, BookError> {
    let none = || cannot("this machine's engine has hydraulic lash: there is no range, and nothing is judged by leaves");
    card.range(valve.side()).ok_or_else(none)
}

impl Reckoner<'_> {
    fn card_with_source(&self, machine: DocId) -> Result<EngineCard, BookError> {
        let state = self.book.finder().known_machine(machine)?;
        self.book
            .machines()
            .card_of(&state)?
            .filter(|card| card.source.is_some())
            .ok_or_else(|| cannot("this machine has no engine card with a source, and nothing is judged without one"))
    }

    /// Refuses a valve that the engine does not have.
    fn has_valve(&self, machine: DocId, valve: Valve) -> Result<(), BookError> {
        let state = self.book.finder().known_machine(machine)?;
        let card = self.book.machines().card_of(&state)?;
        let cylinders = state.card.as_ref().and_then(|c| c.cylinders).or(card.map(|c| c.cylinders));
        match cylinders {
            Some(n) if valve.cylinder() > n => {
                Err(cannot(format!("this engine has no valve {valve}: it has {}", count(n.into(), "cylinder", "cylinders"))))
            }
            _ => Ok(()),
        }
    }

    fn reading_of(&self, machine: DocId, valve: Valve, stage: Stage) -> Result<Lash, BookError> {
        self.has_valve(machine, valve)?;
        let state = self.book.finder().known_machine(machine)?;
        let line = state.lash_at(valve, stage).filter(|l| l.stands.is_some() && l.bracket.is_some()).cloned();
        line.ok_or_else(|| cannot(format!("no reading of {valve} {stage} stands")))
    }

    /// How probable it is that a valve is in range (JCGM 106), and what that proves at a level.
    ///
    /// # Errors
    /// [`BookError::Reckoning`] where nothing stands, the engine was warm, or the spread is none.
    pub fn conformance_of(
        &self,
        machine: DocId,
        valve: Valve,
        stage: Stage,
        spread: &Spread,
        level: Option<f64>,
        unit: LengthUnit,
    ) -> Result<Reckoned<Decided>, BookError> {
        let card = self.card_with_source(machine)?;
        let line = self.reading_of(machine, valve, stage)?;
        if !line.cold {
            return Err(cannot(format!(
                "{valve} {stage} was read without an engine said to be cold: it proves nothing against a cold range"
            )));
        }
        let bracket = line.bracket.ok_or_else(|| cannot("the reading has no bracket"))?;
        let level = level.unwrap_or(self.book.roster()?.settings.conformance_level());
        let facts = decide(&bracket, &range_of(&card, valve)?, spread, level).map_err(cannot)?;
        Ok(Reckoned { words: vec![facts.words(unit)], facts })
    }

    /// The sequence of leaves that settles a valve's verdict, from the set that the tech owns.
    ///
    /// # Errors
    /// [`BookError::Reckoning`] without an engine card with a source.
    pub fn leaf_plan_of(&self, machine: DocId, valve: Valve, set: &LeafSet, unit: LengthUnit) -> Result<Reckoned<LeafPlan>, BookError> {
        self.has_valve(machine, valve)?;
        let range = range_of(&self.card_with_source(machine)?, valve)?;
        let proof = Proof::of(&self.book.roster()?.settings);
        let plan = leaf_plan(&range, set, proof.as_ref());
        let first = next_leaf(None, &range, set, proof.as_ref()).map(|leaf| leaf.words(unit));
        let facts = LeafPlan { valve, most_tries: plan.worst_case(), lines: plan.lines(unit) };
        Ok(Reckoned { words: first.into_iter().chain([setting_words(&range, set, unit)]).collect(), facts })
    }

    /// How far to turn a valve's adjuster from the reading that stands to the aim.
    ///
    /// # Errors
    /// [`BookError::Reckoning`] where nothing stands, the card names no adjuster, or the reading is so far off that it is asked about
    /// before anything is turned.
    pub fn turn_of(&self, machine: DocId, valve: Valve, stage: Stage) -> Result<Reckoned<TurnFacts>, BookError> {
        let card = self.card_with_source(machine)?;
        let adjuster = card.adjuster.ok_or_else(|| cannot("this machine's engine card names no adjuster"))?;
        let range = range_of(&card, valve)?;
        let line = self.reading_of(machine, valve, stage)?;
        if !line.cold {
            return Err(cannot(format!(
                "{valve} {stage} was read without an engine said to be cold: let it cool, say so, and read it again before the adjuster is turned"
            )));
        }
        let bracket = line.bracket.ok_or_else(|| cannot("the reading has no bracket"))?;
        let carry = carry_tolerated(&adjuster, &range).map_err(cannot)?;
        let ledger = self.book.store.records().ledger_of(machine)?;
        let reading = line.stands.and_then(|id| ledger.get(id)).and_then(|entry| match &entry.record.body {
            Body::Clearance(reading) => Some((entry.record.id, reading)),
            _ => None,
        });
        let gross = crate::queries::gross_lash(&line, &card);
        let asked = match reading {
            Some((id, reading)) => crate::queries::of_visit::was_asked(&ledger, self.book.roster()?, id, reading, &card),
            None => false,
        };
        if let Some(gross) = gross.filter(|gross| !(asked && gross.turns())) {
            return Err(cannot(if asked { gross.still() } else { gross.asks() }.join(" ")));
        }
        let turn = to_aim(&adjuster, &bracket, &range);
        let mut words: Vec<String> = gross.into_iter().flat_map(|gross| gross.still().iter().map(ToString::to_string)).collect();
        if crate::queries::judge_lash(&line, &card) == Some(shared::verdict::Verdict::InSpec) {
            words.push("In spec: leave it alone.".to_owned());
        } else {
            words.push(turn.map_or_else(|| BOTH_SIDES_FIRST.to_owned(), |turn| turn.words()));
        }
        words.push(carry.carry_words());
        Ok(Reckoned { facts: TurnFacts { valve, turn, carry }, words })
    }

    /// What a valve read warm may be when cold. Never a pass: it must be read again cold.
    ///
    /// # Errors
    /// [`BookError::Reckoning`] where nothing stands or the train is none.
    pub fn warm_of(
        &self,
        machine: DocId,
        valve: Valve,
        stage: Stage,
        train: &Train,
        unit: LengthUnit,
    ) -> Result<Reckoned<WarmEstimate>, BookError> {
        let line = self.reading_of(machine, valve, stage)?;
        if line.cold {
            return Err(cannot(format!("{valve} {stage} was read cold: it is judged as it is, and nothing need be estimated")));
        }
        let bracket = line.bracket.ok_or_else(|| cannot("the reading has no bracket"))?;
        let facts = estimate_cold(&bracket, train).map_err(cannot)?;
        Ok(Reckoned { words: vec![facts.words(unit)], facts })
    }
}
