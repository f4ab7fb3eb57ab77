//! Trying leaves on one valve, one after another, until nothing more is wanted of them: the order is `shared`'s.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use shared::bracket::{Bracket, BracketError};
use shared::engine_card::Range;
use shared::ids::DocId;
use shared::leaf::{Feeler, LeafSet, check_leaf};
use shared::length::{Length, LengthUnit};
use shared::record::{Clearance, Stage};
use shared::valve::Valve;
use shared::verdict::{NextLeaf, Proof, Verdict, judge, judge_on_card, next_leaf};

use crate::commands::Advisor;
use crate::engine::BookError;
use crate::sys::clock::ClockReading;

/// A leaf that was tried, or a stack of two.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tried {
    /// What was tried.
    pub feeler: Feeler,
    /// It goes into the gap.
    pub goes: bool,
}

/// What to ask of whoever holds the leaves.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "ask")]
pub enum Ask {
    /// Does this leaf go?
    Try {
        /// The leaf, and what its answers mean.
        leaf: NextLeaf,
    },
    /// The valve is tight: which is the largest leaf that does go? May stay unanswered.
    HowTight,
    /// The valve is loose: which is the smallest leaf that does not go? May stay unanswered.
    HowLoose,
    /// There is no range to be guided by: the largest leaf that goes and the smallest that does not.
    Both,
    /// Nothing: the reading can be kept.
    Enough,
}

/// What the leaves that were tried on a valve say together.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Trial {
    bracket: Option<Bracket>,
    /// The single leaves of the stacks that were tried, by what they make together.
    stacks: BTreeMap<Length, Vec<Length>>,
}

impl Trial {
    /// Takes one answer in. In any order; a leaf that says nothing new changes nothing.
    ///
    /// # Errors
    /// [`BracketError`] where it contradicts what was answered before; the trial is then as it was.
    pub fn answer(&mut self, tried: &Tried) -> Result<(), BracketError> {
        let thickness = tried.feeler.thickness;
        let (go, no_go) = (self.go(), self.no_go());
        let (go, no_go) = if tried.goes {
            (Some(go.map_or(thickness, |go| go.max(thickness))), no_go)
        } else {
            (go, Some(no_go.map_or(thickness, |no_go| no_go.min(thickness))))
        };
        self.bracket = Some(Bracket::new(go, no_go)?);
        if tried.feeler.leaves.len() > 1 {
            self.stacks.insert(thickness, tried.feeler.leaves.clone());
        }
        Ok(())
    }

    /// What to ask next, against the range of an engine card where there is one, and at the level of proof that the shop asks for.
    #[must_use]
    pub fn ask(&self, range: Option<&Range>, set: &LeafSet, proof: Option<&Proof>) -> Ask {
        let Some(range) = range else {
            return if self.go().is_some() && self.no_go().is_some() { Ask::Enough } else { Ask::Both };
        };
        if let Some(leaf) = next_leaf(self.bracket.as_ref(), range, set, proof) {
            return Ask::Try { leaf };
        }
        let Some(bracket) = self.bracket else { return Ask::Both };
        // How far off a valve is can be said only between two leaves.
        match (judge(&bracket, range), self.go(), self.no_go()) {
            (Verdict::Tight, None, Some(_)) => Ask::HowTight,
            (Verdict::Loose, Some(_), None) => Ask::HowLoose,
            _ => Ask::Enough,
        }
    }

    /// The bracket so far.
    #[must_use]
    pub const fn bracket(&self) -> Option<Bracket> {
        self.bracket
    }

    /// The largest leaf that goes.
    #[must_use]
    pub fn go(&self) -> Option<Length> {
        self.bracket.and_then(|bracket| bracket.go())
    }

    /// The smallest leaf that does not.
    #[must_use]
    pub fn no_go(&self) -> Option<Length> {
        self.bracket.and_then(|bracket| bracket.no_go())
    }

    /// The single leaves, where one of the two was stacked.
    #[must_use]
    pub fn leaves(&self) -> Vec<Length> {
        [self.go(), self.no_go()].into_iter().flatten().filter_map(|leaf| self.stacks.get(&leaf)).flatten().copied().collect()
    }
}

/// A trial as a screen shows it: nothing of it is kept yet.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct TrialView {
    /// The valve.
    pub valve: Valve,
    /// The range of the engine card, where there is a card with a source.
    pub range: Option<Range>,
    /// The bracket so far.
    pub bracket: Option<Bracket>,
    /// That in words; empty before the first answer.
    pub bracket_words: String,
    /// The verdict if this were kept now; absent before the first answer and without a card.
    pub judged: Option<Verdict>,
    /// What to ask next.
    pub next: Ask,
    /// The question in words; empty where there is none.
    pub question: String,
    /// The largest leaf that goes, in tenths of a µm.
    #[serde(rename = "go_tenth_um")]
    pub go: Option<Length>,
    /// The smallest that does not, in tenths of a µm.
    #[serde(rename = "no_go_tenth_um")]
    pub no_go: Option<Length>,
    /// The single leaves where one of the two was stacked, in tenths of a µm.
    #[serde(rename = "leaves_tenth_um")]
    pub leaves: Vec<Length>,
}

impl Advisor<'_> {
    /// What the leaves tried so far on a valve say, and what to ask next. Keeps nothing.
    ///
    /// # Errors
    /// [`BookError::Entry`] for a leaf that cannot be or that contradicts those before it; [`BookError::Unknown`] where the
    /// book has no such machine; the store.
    pub fn trial(
        &self,
        machine: DocId,
        valve: Valve,
        tried: &[Tried],
        set: &LeafSet,
        unit: LengthUnit,
        now: &ClockReading,
    ) -> Result<TrialView, BookError> {
        let state = self.book.finder().known_machine(machine)?;
        let card = self.book.machines().card_of(&state)?.filter(|card| card.source.is_some());
        let visit = self.open_visit_of(machine, None)?;
        let now_ms = self.book.reader().shop_now_ms(now)?;
        let range = card.as_ref().and_then(|card| card.range(valve.side()));
        let mut trial = Trial::default();
        for one in tried {
            check_leaf(one.feeler.thickness).map_err(|e| BookError::Entry(e.in_unit(unit)))?;
            trial.answer(one).map_err(|e| BookError::Entry(e.in_unit(unit)))?;
        }
        let reading = trial.bracket().map(|_| Clearance {
            valve,
            stage: Stage::Found,
            go: trial.go(),
            no_go: trial.no_go(),
            leaves: trial.leaves(),
            cold: state.cold_at(visit, now_ms).counts(),
            engine_tenth_c: None,
            adjusted: false,
            visit,
        });
        let next = trial.ask(range.as_ref(), set, Proof::of(&self.book.roster()?.settings).as_ref());
        Ok(TrialView {
            valve,
            range,
            bracket: trial.bracket(),
            bracket_words: trial.bracket().map_or_else(String::new, |bracket| bracket.show(unit)),
            judged: reading.zip(card).map(|(reading, card)| judge_on_card(&reading, &card)),
            question: next.words(unit),
            next,
            go: trial.go(),
            no_go: trial.no_go(),
            leaves: trial.leaves(),
        })
    }
}

impl Ask {
    /// The question in words; empty where there is none.
    #[must_use]
    pub fn words(&self, unit: LengthUnit) -> String {
        match self {
            Self::Try { leaf } => format!("Try {}. Does it go?", leaf.feeler.words(unit)),
            Self::HowTight => "How tight? The largest leaf that does go".to_owned(),
            Self::HowLoose => "How loose? The smallest leaf that does not go".to_owned(),
            Self::Both => "The largest leaf that goes and the smallest that does not".to_owned(),
            Self::Enough => String::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn thou(n: i64) -> Length {
        Length::from_thou(n)
    }

    fn tried(n: i64, goes: bool) -> Tried {
        Tried { feeler: Feeler { thickness: thou(n), leaves: vec![thou(n)] }, goes }
    }

    fn range() -> Range {
        Range { low: thou(4), high: thou(6), aim: Some(thou(5)) }
    }

    #[test]
    fn leaves_are_asked_for_until_the_verdict_is_settled() {
        let (set, range) = (LeafSet::inch(), range());
        // The gap is 5.5 thou: in range whatever is tried.
        let mut trial = Trial::default();
        let mut asked = 0;
        while let Ask::Try { leaf } = trial.ask(Some(&range), &set, None) {
            let goes = leaf.feeler.thickness <= Length::from_tenth_um(5 * 254 + 127);
            trial.answer(&Tried { feeler: leaf.feeler, goes }).unwrap();
            asked += 1;
            assert!(asked < 10);
        }
        assert_eq!(judge(&trial.bracket().unwrap(), &range), Verdict::InSpec);
        assert_eq!(trial.ask(Some(&range), &set, None), Ask::Enough);
    }

    #[test]
    fn how_far_off_is_asked_once_and_only_where_a_leaf_is_missing() {
        let (set, range) = (LeafSet::inch(), range());
        let mut trial = Trial::default();
        trial.answer(&tried(4, false)).unwrap();
        assert_eq!(trial.ask(Some(&range), &set, None), Ask::HowTight);
        trial.answer(&tried(3, true)).unwrap();
        assert_eq!(trial.ask(Some(&range), &set, None), Ask::Enough);
        let mut trial = Trial::default();
        trial.answer(&tried(7, true)).unwrap();
        assert_eq!(trial.ask(Some(&range), &set, None), Ask::HowLoose);
    }

    #[test]
    fn an_answer_that_contradicts_changes_nothing() {
        let mut trial = Trial::default();
        trial.answer(&tried(5, true)).unwrap();
        let before = trial.clone();
        assert!(trial.answer(&tried(4, false)).is_err());
        assert_eq!(trial, before);
        // Says nothing new.
        trial.answer(&tried(3, true)).unwrap();
        assert_eq!(trial, before);
    }

    #[test]
    fn without_a_range_both_leaves_are_asked_for() {
        let set = LeafSet::inch();
        let mut trial = Trial::default();
        assert_eq!(trial.ask(None, &set, None), Ask::Both);
        trial.answer(&tried(5, true)).unwrap();
        assert_eq!(trial.ask(None, &set, None), Ask::Both);
        trial.answer(&tried(6, false)).unwrap();
        assert_eq!(trial.ask(None, &set, None), Ask::Enough);
    }

    #[test]
    fn the_leaves_of_a_stack_are_kept_with_the_reading() {
        let mut trial = Trial::default();
        let stack = Feeler { thickness: thou(7), leaves: vec![thou(3), thou(4)] };
        trial.answer(&Tried { feeler: stack, goes: false }).unwrap();
        assert_eq!(trial.leaves(), vec![thou(3), thou(4)]);
        trial.answer(&tried(6, false)).unwrap();
        assert_eq!(trial.leaves(), vec![]);
    }
}
