//! The whole way to a verdict, laid out before the first leaf is tried: which feeler first, and what follows on each answer.

use serde::Serialize;

use super::{Proof, Verdict, after, judge, leaf_needed, next_leaf};
use crate::bracket::Bracket;
use crate::engine_card::Range;
use crate::leaf::{Feeler, LeafSet};
use crate::length::{Length, LengthUnit};

/// The most tries that any plan takes: the aim leaf, one beside it, and then two at most for the limit on that side. A set
/// without an aim leaf takes three. The fifth is slack, and a guard against a walk without end.
const MOST_TRIES: usize = 5;

/// The way to a verdict with one set of leaves: a small tree of tries, its ends being verdicts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Plan {
    /// The range that is judged against.
    pub range: Range,
    /// The first step.
    pub first: Step,
}

/// One step of a [`Plan`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "step")]
pub enum Step {
    /// A feeler to try.
    Try {
        /// One leaf, or two stacked.
        feeler: Feeler,
        /// What follows where it enters.
        if_enters: Box<Step>,
        /// What follows where it does not.
        if_refused: Box<Step>,
    },
    /// No feeler of the set tells more.
    End {
        /// What the tries before it have shown of the clearance; `None` where nothing was tried.
        bracket: Option<Bracket>,
        /// The verdict; not settled where the set is too coarse for this range, or the range is no range.
        #[serde(flatten)]
        verdict: Verdict,
        /// It is in spec, and not proven at the level that the shop asks for.
        #[serde(skip_serializing_if = "std::ops::Not::not")]
        unproven: bool,
    },
}

/// The sequence of leaves that settles a verdict, with nothing known of the clearance yet.
///
/// [`next_leaf`] again and again, on both answers, until it has nothing more to try: the aim leaf, one beside it, then the
/// limits. Where the set cannot settle a clearance, the plan ends not settled there, and [`Plan::lines`] says which leaf
/// would be needed; where it cannot prove it at the shop's level, that is said.
///
/// Lengths are exact, a feeler is taken to be as thick as is written on it. A range that is no range gives a plan
/// without a try. No errors.
#[must_use]
pub fn leaf_plan(range: &Range, set: &LeafSet, proof: Option<&Proof>) -> Plan {
    Plan { range: *range, first: step(None, range, set, proof, MOST_TRIES) }
}

impl Plan {
    /// The most tries that it takes, whatever the clearance: 0 to 5.
    #[must_use]
    pub fn worst_case(&self) -> usize {
        self.first.worst_case()
    }

    /// The plan for a screen, every line at most 80 columns: a heading, then one line per answer, indented below the
    /// try that it answers.
    #[must_use]
    pub fn lines(&self, unit: LengthUnit) -> Vec<String> {
        let range = format!("{} to {}", self.range.low.show_bare(unit), self.range.high.show(unit));
        let tries = match self.worst_case() {
            1 => "1 try".to_owned(),
            tries => format!("{tries} tries"),
        };
        let mut lines = vec![format!("For {range}, at most {tries}:")];
        self.first.write(&self.range, unit, 0, "", &mut lines);
        lines
    }
}

impl Step {
    /// The step that follows an answer; `None` at an end.
    #[must_use]
    pub fn answered(&self, enters: bool) -> Option<&Self> {
        match self {
            Self::Try { if_enters, if_refused, .. } => Some(if enters { if_enters } else { if_refused }),
            Self::End { .. } => None,
        }
    }

    fn worst_case(&self) -> usize {
        match self {
            Self::Try { if_enters, if_refused, .. } => 1 + if_enters.worst_case().max(if_refused.worst_case()),
            Self::End { .. } => 0,
        }
    }

    fn write(&self, range: &Range, unit: LengthUnit, depth: usize, answer: &str, lines: &mut Vec<String>) {
        let indent = "  ".repeat(depth);
        match self {
            Self::Try { feeler, if_enters, if_refused } => {
                lines.push(format!("{indent}{answer}try {}", feeler.words(unit)));
                if_enters.write(range, unit, depth + 1, "enters: ", lines);
                if_refused.write(range, unit, depth + 1, "refused: ", lines);
            }
            Self::End { bracket, verdict, unproven } => {
                let proof = if *unproven { ", not proven" } else { "" };
                lines.push(format!("{indent}{answer}{}{proof}", verdict.word()));
                if let Some(why) = open_end(*verdict, bracket.as_ref(), range, unit) {
                    lines.push(format!("{indent}  {why}"));
                }
            }
        }
    }
}

/// Why an end is not settled, short enough for a line of its own at any depth.
fn open_end(verdict: Verdict, bracket: Option<&Bracket>, range: &Range, unit: LengthUnit) -> Option<String> {
    if verdict.is_settled() {
        return None;
    }
    if range.low <= Length::ZERO || range.low >= range.high {
        return Some("the card's range is no range; ask the office".to_owned());
    }
    let needed = match bracket {
        Some(bracket) => leaf_needed(bracket, range),
        None => Some(range.low),
    };
    Some(match needed {
        Some(leaf) => format!("a leaf of {} would tell more", leaf.show(unit)),
        None => format!("a leaf a little over {} would tell more", range.high.show(unit)),
    })
}

/// The step that follows a bracket, with so many tries left.
fn step(bracket: Option<Bracket>, range: &Range, set: &LeafSet, proof: Option<&Proof>, tries_left: usize) -> Step {
    let following = |thickness: Length, enters: bool| {
        // A feeler strictly inside the bracket always leaves one; were it not so, the walk ends instead of panicking.
        let next = after(bracket.as_ref(), thickness, enters);
        Box::new(step(next, range, set, proof, if next.is_some() { tries_left - 1 } else { 0 }))
    };
    match next_leaf(bracket.as_ref(), range, set, proof) {
        Some(next) if tries_left > 0 => Step::Try {
            if_enters: following(next.feeler.thickness, true),
            if_refused: following(next.feeler.thickness, false),
            feeler: next.feeler,
        },
        _ => {
            let verdict = verdict(bracket.as_ref(), range);
            let met = bracket.is_none_or(|bracket| proof.is_none_or(|proof| proof.met(&bracket, range)));
            Step::End { bracket, verdict, unproven: verdict == Verdict::InSpec && !met }
        }
    }
}

/// The verdict of what is known, which may be nothing.
fn verdict(bracket: Option<&Bracket>, range: &Range) -> Verdict {
    match bracket {
        Some(bracket) => judge(bracket, range),
        None if range.low <= Length::ZERO || range.low >= range.high => Verdict::NotSettled(super::Why::NoRange),
        None => Verdict::NotSettled(super::Why::NoReading),
    }
}

#[cfg(test)]
mod tests;
