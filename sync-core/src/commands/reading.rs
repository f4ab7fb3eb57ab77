//! A clearance reading: two leaves become a kept record, a verdict, and what to do next.

use serde::{Deserialize, Serialize};
use shared::adjuster::{BOTH_SIDES_FIRST, TurnRange, carry_tolerated, to_aim};
use shared::bracket::Bracket;
use shared::cold::Cold;
use shared::engine_card::{EngineCard, LISTEN, Range};
use shared::ids::{DocId, RecordId};
use shared::leaf::{LeafSet, check_leaf};
use shared::length::{Length, LengthUnit};
use shared::record::{Clearance, Stage, Visit};
use shared::slot::Slot;
use shared::valve::Valve;
use shared::verdict::{Gross, NextLeaf, Proof, Verdict, Why, advice, gross_on_card, judge_on_card, next_leaf, setting_words};

use super::ActionContext;
use crate::commands::{Advisor, Author};
use crate::engine::BookError;
use crate::judge::plausible;
use crate::judge::standing::State;
use crate::queries::of_visit::was_asked;

/// What a tech enters for one reading.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReadingEntry {
    /// Which valve.
    pub valve: Valve,
    /// When in the work.
    pub stage: Stage,
    /// The largest leaf that entered.
    #[serde(rename = "go_tenth_um", default)]
    pub go: Option<Length>,
    /// The smallest leaf that did not.
    #[serde(rename = "no_go_tenth_um", default)]
    pub no_go: Option<Length>,
    /// The single leaves, where leaves were stacked.
    #[serde(rename = "leaves_tenth_um", default)]
    pub leaves: Vec<Length>,
    /// The adjuster was turned.
    #[serde(default)]
    pub adjusted: bool,
    /// What is said of the engine for this reading alone; what the visit says, and still counts, where nothing is.
    #[serde(default)]
    pub cold: Option<bool>,
}

/// A reading kept, and what it means.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ReadingOutcome {
    /// The record.
    pub record: RecordId,
    /// Its visit, where one is open.
    pub visit: Option<RecordId>,
    /// How cold the engine was for it, when it was taken just now; absent of a reading that is looked at later.
    pub cold: Option<Cold>,
    /// The bracket.
    pub bracket: Bracket,
    /// The bracket in words.
    pub bracket_words: String,
    /// The range of the engine card.
    pub range: Option<Range>,
    /// The verdict; absent without an engine card.
    pub judged: Option<Verdict>,
    /// How it is so far off that it is asked about before anything is turned; `next` says what is looked at.
    pub gross: Option<Gross>,
    /// The verdict in a word or two.
    pub verdict: String,
    /// What to do next, in sentences.
    pub next: Vec<String>,
    /// The leaf to try next, where the verdict is open.
    pub next_leaf: Option<NextLeaf>,
    /// How far to turn the adjuster, where it is known and the verdict asks for it.
    pub turn: Option<TurnRange>,
    /// Someone else's reading of this valve disagrees.
    pub contested: bool,
    /// Why the reading does not stand, where it does not.
    pub doubt: Option<String>,
}

impl Author<'_> {
    /// Keeps a reading and says at once what it means.
    ///
    /// # Errors
    /// [`BookError::Entry`] for leaves or a valve that cannot be; any other having kept nothing.
    pub fn take_reading(
        &mut self,
        machine: DocId,
        entry: ReadingEntry,
        set: &LeafSet,
        unit: LengthUnit,
        hand: &mut ActionContext<'_>,
    ) -> Result<ReadingOutcome, BookError> {
        let state = self.book.finder().known_machine(machine)?;
        for leaf in [entry.go, entry.no_go].into_iter().flatten() {
            check_leaf(leaf).map_err(|e| BookError::Entry(e.in_unit(unit)))?;
        }
        Bracket::new(entry.go, entry.no_go).map_err(|e| BookError::Entry(e.in_unit(unit)))?;
        let card = self.book.machines().card_of(&state)?;
        let cylinders = state.card.as_ref().and_then(|c| c.cylinders).or(card.as_ref().map(|c| c.cylinders));
        let visit = self.book.advisor().open_visit_of(machine, hand.measured_by)?;
        let cold = match entry.cold {
            Some(true) => Cold::Cold,
            Some(false) => Cold::Warm,
            None => state.cold_at(visit, self.book.reader().shop_now_ms(&hand.now)?),
        };
        let reading = Clearance {
            valve: entry.valve,
            stage: entry.stage,
            go: entry.go,
            no_go: entry.no_go,
            leaves: entry.leaves,
            cold: cold.counts(),
            engine_tenth_c: self.book.advisor().visit_of(visit)?.and_then(|v| v.engine_tenth_c),
            adjusted: entry.adjusted,
            visit,
        };
        if let Some(why) = plausible::clearance(&reading, cylinders) {
            let names: Vec<String> = Valve::all(cylinders.unwrap_or(1)).iter().map(ToString::to_string).collect();
            return Err(BookError::Entry(format!("This is {why}; its valves are {}.", names.join(", "))));
        }
        let record = self.state_one(machine, reading.clone(), hand)?;
        let outcome = self.book.advisor().meaning(machine, record, &reading, card.as_ref(), set, unit)?;
        Ok(outcome.taken(cold))
    }
}

impl Advisor<'_> {
    /// What a reading that is kept means.
    pub(super) fn meaning(
        &self,
        machine: DocId,
        record: RecordId,
        reading: &Clearance,
        card: Option<&EngineCard>,
        set: &LeafSet,
        unit: LengthUnit,
    ) -> Result<ReadingOutcome, BookError> {
        let bracket = reading.bracket().map_err(|e| BookError::Entry(e.in_unit(unit)))?;
        let standing = self.book.store.projections().standing(machine, &Slot::Lash(reading.valve, reading.stage))?;
        let mut outcome = ReadingOutcome {
            record,
            visit: reading.visit,
            cold: None,
            bracket,
            bracket_words: bracket.show(unit),
            range: card.and_then(|c| c.range(reading.valve.side())),
            judged: None,
            gross: None,
            verdict: "not judged".to_owned(),
            next: Vec::new(),
            next_leaf: None,
            turn: None,
            contested: standing.as_ref().is_some_and(|s| s.state == State::Contested),
            doubt: standing.and_then(|s| s.aside.into_iter().find(|a| a.id == record)).map(|a| a.why.to_string()),
        };
        match card {
            Some(card) => {
                let roster = self.book.roster()?;
                let asked = was_asked(&*self.book.store.records().ledger_of(machine)?, roster, record, reading, card);
                let proof = Proof::of(&roster.settings);
                say_next(&mut outcome, reading, (card, asked), (set, proof.as_ref()), unit);
            }
            None => outcome.next.push(
                "This machine has no engine card yet: the reading is kept and not judged. Look the range up in the engine maker's manual."
                    .to_owned(),
            ),
        }
        Ok(outcome)
    }

    fn visit_of(&self, visit: Option<RecordId>) -> Result<Option<Visit>, BookError> {
        let Some(visit) = visit else { return Ok(None) };
        Ok(self.book.store.records().held(visit)?.and_then(|h| match h.entry.record.body {
            shared::record::Body::Visit(visit) => Some(visit),
            _ => None,
        }))
    }

    /// The first leaf to try on a valve, before anything is known of it.
    ///
    /// # Errors
    /// [`BookError`] where the store fails or the machine is not known.
    pub fn first_leaf(&self, machine: DocId, valve: Valve, set: &LeafSet) -> Result<Option<NextLeaf>, BookError> {
        let state = self.book.finder().known_machine(machine)?;
        let proof = Proof::of(&self.book.roster()?.settings);
        Ok(self.book.machines().card_of(&state)?.and_then(|card| next_leaf(None, &card.range(valve.side())?, set, proof.as_ref())))
    }
}

impl ReadingOutcome {
    /// Says how cold the engine was when it was taken just now: the record does not tell a warm engine from one of which nobody
    /// had said lately that it is cold.
    fn taken(self, cold: Cold) -> Self {
        let why = if cold.expired() { Some(cold.words()) } else { None };
        Self { cold: Some(cold), next: why.into_iter().chain(self.next).collect(), ..self }
    }
}

/// The verdict on a reading, and what follows from it; `asked` where a reading so far off was asked about before.
fn say_next(
    outcome: &mut ReadingOutcome,
    reading: &Clearance,
    (card, asked): (&EngineCard, bool),
    (set, proof): (&LeafSet, Option<&Proof>),
    unit: LengthUnit,
) {
    let verdict = judge_on_card(reading, card);
    outcome.judged = Some(verdict);
    outcome.verdict = verdict.word().to_owned();
    let Some(range) = card.range(reading.valve.side()) else {
        outcome.next.extend(LISTEN.map(str::to_owned));
        return;
    };
    outcome.gross = gross_on_card(reading, card);
    if let Some(gross) = outcome.gross {
        let said = if asked { gross.still() } else { gross.asks() };
        outcome.next.extend(said.iter().map(ToString::to_string));
        if !(asked && gross.turns()) {
            return;
        }
    }
    if !verdict.is_settled() && reading.cold && card.source.is_some() {
        outcome.next_leaf = next_leaf(Some(&outcome.bracket), &range, set, proof);
    }
    let settled_for_now = reading.stage == Stage::Set && verdict == Verdict::InSpec;
    outcome.next.push(if settled_for_now {
        "In spec as set. Now turn the engine over twice by hand and read it again as left: the lock nut moves the adjuster.".to_owned()
    } else {
        advice(verdict, &outcome.bracket, &range, outcome.next_leaf.as_ref(), unit)
    });
    let stuck = verdict == Verdict::NotSettled(Why::LeafEdge) && outcome.next_leaf.is_none();
    if stuck && reading.stage != Stage::Set {
        let aim = range.aim.map_or_else(|| "the middle of the range".to_owned(), |aim| aim.show(unit));
        outcome.next.push(format!("Or set it to {aim}, lock it, and read it as set: that ends the doubt."));
    }
    if verdict == Verdict::InSpec && reading.stage != Stage::Set {
        outcome.next.extend(proof.and_then(|proof| proof.lacking(&outcome.bracket, &range, unit)));
    }
    let off = matches!(verdict, Verdict::Tight | Verdict::Loose);
    if let Some(adjuster) = card.adjuster.filter(|_| off) {
        outcome.turn = to_aim(&adjuster, &outcome.bracket, &range);
        outcome.next.push(outcome.turn.map_or_else(|| BOTH_SIDES_FIRST.to_owned(), |turn| turn.words()));
        outcome.next.extend(carry_tolerated(&adjuster, &range).ok().map(|carry| carry.carry_words()));
    }
    if off {
        outcome.next.push(setting_words(&range, set, unit));
    }
}
