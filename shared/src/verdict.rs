//! The verdict on a clearance: in spec, tight, loose or not settled, and the one leaf to try next.
//!
//! A bracket says `go <= clearance < no_go`; a range allows both of its ends. So, with no rounding anywhere:
//!
//! - *in spec* where `low <= go` and `no_go <= high`: then `clearance < no_go <= high`. A no-go leaf a hair over
//!   `high` is not enough: a clearance is not a whole number of tenths of a µm, and could lie in that hair.
//! - *tight* where `no_go <= low`: then `clearance < low`.
//! - *loose* where `go > high`. `go == high` is not loose: a clearance of exactly `high` is allowed.
//! - else *not settled*. An open bracket can be tight or loose, and is never in spec.
//!
//! These are the rules of simple comparison; a probability with the leaves' tolerance is computed elsewhere.

use serde::{Deserialize, Serialize};

use crate::bracket::Bracket;
use crate::engine_card::{EngineCard, Range};
use crate::leaf::{Feeler, LeafSet, THICKEST_LEAF};
use crate::length::{Length, LengthUnit};
use crate::record::Clearance;

mod aim;
mod gross;
mod plan;

pub use aim::{Proof, aim_leaf, setting_words};
pub use gross::{FAR_TENTHS, Gross, gross, gross_on_card};
pub use plan::{Plan, Step, leaf_plan};

/// What a reading says of a valve. On the wire `{"verdict":"tight"}` or `{"verdict":"not-settled","why":"leaf-edge"}`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case", tag = "verdict", content = "why")]
pub enum Verdict {
    /// Every clearance of the bracket lies in the range.
    InSpec,
    /// Every clearance of the bracket lies below the range.
    Tight,
    /// Every clearance of the bracket lies above the range.
    Loose,
    /// Nothing of the three can be said.
    NotSettled(Why),
}

/// Why a verdict is not settled.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Why {
    /// The bracket reaches over an end of the range, or has an open edge there.
    LeafEdge,
    /// The engine was not said to be cold when this was read, and ranges are for a cold engine.
    NotCold,
    /// The engine card names no manual and page: it is never judged against.
    NoSource,
    /// The card's range is no range: its low end is not above zero and below its high end.
    NoRange,
    /// The engine has hydraulic lash: there is no range.
    Hydraulic,
    /// The engine has no such valve.
    NoSuchValve,
    /// The leaves say nothing or contradict each other.
    NoReading,
    /// A leaf over [`THICKEST_LEAF`] was written down: most likely a slip.
    LeafTooThick,
}

/// The one feeler to try next.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct NextLeaf {
    /// One leaf, or two stacked.
    pub feeler: Feeler,
    /// Both answers settle the verdict.
    pub settles: bool,
    /// The verdict if it enters.
    pub if_enters: Verdict,
    /// The verdict if it does not.
    pub if_refused: Verdict,
}

impl Verdict {
    /// The verdict in a few words: "in spec", "tight", "loose", "too close to call"; "not judged" where it is not for the leaves to say.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::InSpec => "in spec",
            Self::Tight => "tight",
            Self::Loose => "loose",
            Self::NotSettled(Why::LeafEdge) => "too close to call",
            Self::NotSettled(_) => "not judged",
        }
    }

    /// Whether it is in spec, tight or loose.
    #[must_use]
    pub const fn is_settled(self) -> bool {
        !matches!(self, Self::NotSettled(_))
    }
}

impl Why {
    /// The reason, as the rest of a sentence that begins "Not judged: ".
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::LeafEdge => "the leaves reach over an end of the range",
            Self::NotCold => {
                "nobody said that the engine was cold, and the range is for a cold engine. Let it cool, say so, and read again"
            }
            Self::NoSource => "this engine card names no manual and page, so nothing is judged against it. Ask the office for its source",
            Self::NoRange => "this engine card's range is no range. Ask the office to correct it",
            Self::Hydraulic => "this engine has hydraulic lash: nothing is set, and no leaf tells anything. Listen, and test for leak-down",
            Self::NoSuchValve => "this engine has no such valve. Check the cylinder number and the engine card",
            Self::NoReading => "the leaves say nothing or contradict each other. Read again",
            Self::LeafTooThick => "a leaf over 1.5 mm is thicker than any feeler leaf. Check the unit and the decimal point",
        }
    }
}

impl NextLeaf {
    /// What to try and what its answers mean: "Try 4 thou next: in spec if it enters, tight if not."
    #[must_use]
    pub fn words(&self, unit: LengthUnit) -> String {
        let outcome = |verdict: Verdict| if verdict.is_settled() { verdict.word() } else { "still open" };
        let (enters, refused) = (outcome(self.if_enters), outcome(self.if_refused));
        if enters == refused {
            return format!("Try {} next: {enters} either way.", self.feeler.words(unit));
        }
        format!("Try {} next: {enters} if it enters, {refused} if not.", self.feeler.words(unit))
    }
}

/// The verdict of a bracket against a range, by the rules at the head of this module.
///
/// A range whose low end is not above zero and below its high end settles nothing.
#[must_use]
pub fn judge(bracket: &Bracket, range: &Range) -> Verdict {
    if range.low <= Length::ZERO || range.low >= range.high {
        return Verdict::NotSettled(Why::NoRange);
    }
    match (bracket.go(), bracket.no_go()) {
        (_, Some(no_go)) if no_go <= range.low => Verdict::Tight,
        (Some(go), _) if go > range.high => Verdict::Loose,
        (Some(go), Some(no_go)) if go >= range.low && no_go <= range.high => Verdict::InSpec,
        _ => Verdict::NotSettled(Why::LeafEdge),
    }
}

/// The verdict of a reading against the card of its engine; the valve's side picks the range.
///
/// Never settled where the card names no source, the engine was not said to be cold, the engine has no such valve, or a leaf
/// cannot be one.
#[must_use]
pub fn judge_on_card(clearance: &Clearance, card: &EngineCard) -> Verdict {
    if card.hydraulic {
        return Verdict::NotSettled(Why::Hydraulic);
    }
    let sourced = card.source.as_ref().is_some_and(|s| !s.manual.trim().is_empty() && !s.page.trim().is_empty());
    if !sourced {
        return Verdict::NotSettled(Why::NoSource);
    }
    if clearance.valve.cylinder() > card.cylinders {
        return Verdict::NotSettled(Why::NoSuchValve);
    }
    let Ok(bracket) = clearance.bracket() else { return Verdict::NotSettled(Why::NoReading) };
    if bracket.go().max(bracket.no_go()) > Some(THICKEST_LEAF) {
        return Verdict::NotSettled(Why::LeafTooThick);
    }
    if !clearance.cold {
        return Verdict::NotSettled(Why::NotCold);
    }
    card.range(clearance.valve.side()).map_or(Verdict::NotSettled(Why::NoRange), |range| judge(&bracket, &range))
}

/// The one feeler of a set to try next, single leaf or two-leaf stack; with no bracket yet, the first to try.
///
/// First the aim leaf, then one leaf to the side on which the clearance lies (the head of `verdict/aim.rs` says why, and how
/// the shop's level of proof chooses it). Where these settle nothing, the limits: see [`settling`].
///
/// `None` where the valve is tight or loose, where it is in spec and nothing more is wanted, or where no feeler of the set can
/// tell more: then [`advice`] says which leaf would be needed.
#[must_use]
pub fn next_leaf(bracket: Option<&Bracket>, range: &Range, set: &LeafSet, proof: Option<&Proof>) -> Option<NextLeaf> {
    if matches!(bracket.map(|bracket| judge(bracket, range)), Some(Verdict::Tight | Verdict::Loose)) {
        return None;
    }
    let feelers = set.stacks();
    let aimed = aim::for_the_aim(bracket, range, &feelers, proof).and_then(|feeler| trying(bracket, feeler, range));
    aimed.or_else(|| settling(bracket, range, &feelers))
}

/// What the answers of a feeler would mean.
fn trying(bracket: Option<&Bracket>, feeler: &Feeler, range: &Range) -> Option<NextLeaf> {
    let if_enters = judge(&after(bracket, feeler.thickness, true)?, range);
    let if_refused = judge(&after(bracket, feeler.thickness, false)?, range);
    Some(NextLeaf { feeler: feeler.clone(), settles: if_enters.is_settled() && if_refused.is_settled(), if_enters, if_refused })
}

/// The feeler that settles the verdict, or brings it nearest.
///
/// Only feelers strictly inside the bracket say anything new, and of those only the nearest to the range's ends
/// matter: the last at or below `low`, the first at or above it, the last at or below `high`, the first above it. Of
/// these at most four the choice is one that settles the verdict whatever its answer, else the one after whose worse
/// answer fewest are left; then a single leaf before a stack, then the nearest to the middle of the range, then the
/// thinner. So it takes no more tries than a binary search, and it ends settled whenever the set can settle it.
fn settling(bracket: Option<&Bracket>, range: &Range, feelers: &[Feeler]) -> Option<NextLeaf> {
    let middle_doubled = range.low.plus(range.high);
    useful(bracket, range, feelers)
        .into_iter()
        .filter_map(|feeler| {
            let enters = after(bracket, feeler.thickness, true)?;
            let refused = after(bracket, feeler.thickness, false)?;
            let left = useful(Some(&enters), range, feelers).len().max(useful(Some(&refused), range, feelers).len());
            let off_middle = feeler.thickness.plus(feeler.thickness).minus(middle_doubled).tenth_um().abs();
            // One that settles either way is the only useful one: it is `low` itself, with nothing open at the high end.
            let merit = (left, feeler.leaves.len(), off_middle, feeler.thickness);
            Some((merit, trying(bracket, feeler, range)?))
        })
        .min_by_key(|(merit, _)| *merit)
        .map(|(_, next)| next)
}

/// The thickness of a leaf that would tell more, in any set: the end of the range that lies strictly inside the
/// bracket, the low one first.
///
/// `None` where the verdict is settled, or the go leaf is exactly the range's high end: then a leaf a little
/// thicker would be needed, and how little cannot be said.
#[must_use]
pub fn leaf_needed(bracket: &Bracket, range: &Range) -> Option<Length> {
    if judge(bracket, range).is_settled() {
        return None;
    }
    [range.low, range.high].into_iter().find(|end| inside(Some(bracket), *end))
}

/// What to do about a verdict, in plain sentences. How far to turn the adjuster is said elsewhere.
///
/// `next` is what [`next_leaf`] gave for the same bracket and range.
#[must_use]
pub fn advice(verdict: Verdict, bracket: &Bracket, range: &Range, next: Option<&NextLeaf>, unit: LengthUnit) -> String {
    let read = bracket.show(unit);
    let wanted = format!("{} to {}", range.low.show_bare(unit), range.high.show(unit));
    let target = match range.aim {
        Some(aim) => format!("to {}", aim.show(unit)),
        None => "into the range".to_owned(),
    };
    let recheck = "lock it, turn the engine over twice and check again";
    match verdict {
        Verdict::InSpec => format!("In spec: {read} lies inside {wanted}. Leave it alone."),
        Verdict::Tight => format!("Tight: {read}, below {wanted}. Open it {target}, {recheck}."),
        Verdict::Loose => format!("Loose: {read}, above {wanted}. Close it {target}, {recheck}."),
        Verdict::NotSettled(Why::LeafEdge) => {
            let then = match (next, leaf_needed(bracket, range)) {
                (Some(next), _) => next.words(unit),
                (None, Some(leaf)) => format!(
                    "No leaf or two-leaf stack of the set tells more; a leaf of {} would. Until then it does not count as in spec.",
                    leaf.show(unit)
                ),
                (None, None) => format!(
                    "It is {} or more, the end of the range, and no leaf of the set tells which. It does not count as in spec.",
                    range.high.show(unit)
                ),
            };
            format!("Too close to call: {read} is not wholly inside or outside {wanted}. {then}")
        }
        Verdict::NotSettled(why) => format!("Not judged: {}.", why.words()),
    }
}

/// The feelers whose answer can still bring the verdict forward, thinnest first; none once it is settled.
fn useful<'f>(bracket: Option<&Bracket>, range: &Range, feelers: &'f [Feeler]) -> Vec<&'f Feeler> {
    let settled = bracket.is_some_and(|bracket| judge(bracket, range).is_settled());
    if settled || range.low <= Length::ZERO || range.low >= range.high {
        return Vec::new();
    }
    let go = bracket.and_then(Bracket::go).unwrap_or(Length::ZERO);
    let no_go = bracket.and_then(Bracket::no_go);
    let open: Vec<&Feeler> = feelers.iter().filter(|f| inside(bracket, f.thickness)).collect();
    let mut kept: Vec<&Feeler> = Vec::new();
    if go < range.low {
        kept.extend(open.iter().rev().find(|f| f.thickness <= range.low));
        kept.extend(open.iter().find(|f| f.thickness >= range.low));
    }
    if no_go.is_none_or(|no_go| no_go > range.high) {
        kept.extend(open.iter().rev().find(|f| f.thickness <= range.high));
        kept.extend(open.iter().find(|f| f.thickness > range.high));
    }
    kept.sort_by_key(|f| f.thickness);
    kept.dedup();
    kept
}

/// Whether a thickness lies strictly inside a bracket, so that trying it says something new.
fn inside(bracket: Option<&Bracket>, thickness: Length) -> bool {
    let Some(bracket) = bracket else { return thickness > Length::ZERO };
    bracket.go().is_none_or(|go| go < thickness) && bracket.no_go().is_none_or(|no_go| thickness < no_go)
}

/// The bracket once a feeler strictly inside it has entered, or has not.
fn after(bracket: Option<&Bracket>, thickness: Length, enters: bool) -> Option<Bracket> {
    let (go, no_go) = bracket.map_or((None, None), |b| (b.go(), b.no_go()));
    let (go, no_go) = if enters { (Some(thickness), no_go) } else { (go, Some(thickness)) };
    Bracket::new(go, no_go).ok()
}

#[cfg(test)]
mod tests;
