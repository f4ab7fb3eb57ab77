//! Lock-nut carry: what tightening the lock nut does to a setting, per person, from *set* against *left*.
//!
//! Whoever holds the screwdriver still has no carry; most hands turn the adjuster with the nut, and always the same
//! way. Known, it can be allowed for; and the leaf decides all the same, after the engine has been turned over.
//!
//! Each change is an interval, as in [`crate::drift`], and they are brought together in the same way (its
//! `combine.rs`), each pair counting alike. Whether there is a tendency at all is the sign test's to say.

use serde::{Deserialize, Serialize};

use crate::bracket::Bracket;
use crate::drift::combine::{Known, at_most, combine};
use crate::drift::{TAIL, fine};
use crate::length::LengthUnit;
use crate::text::count;

/// The fewest moves one way that can be more than chance: `2/2⁶` is 0.031, `2/2⁵` is 0.063.
pub const FEWEST_MOVES: u32 = 6;

/// One valve as it was set, the adjuster locked, and as it was left after turning the engine over.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CarryPair {
    /// As it was set.
    pub set: Bracket,
    /// As it was left, without another turn of the adjuster between.
    pub left: Bracket,
}

/// Which way a person's settings move.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Tends {
    /// The gap closes, more often than chance explains.
    Tighter,
    /// The gap opens, more often than chance explains.
    Looser,
    /// No tendency is seen in enough pairs.
    Neither,
    /// Too few pairs tell.
    NotKnown,
}

/// What tightening the lock nut does to one person's settings, in **tenths of a µm**; below zero it closes the gap.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Carry {
    /// The likely change, from the middles of the brackets. Missing where no pair has both edges.
    #[serde(rename = "likely_tenth_um", default, skip_serializing_if = "Option::is_none")]
    pub likely: Option<f64>,
    /// The low end of the interval; missing where it is open.
    #[serde(rename = "low_tenth_um", default, skip_serializing_if = "Option::is_none")]
    pub low: Option<f64>,
    /// The high end of the interval; missing where it is open.
    #[serde(rename = "high_tenth_um", default, skip_serializing_if = "Option::is_none")]
    pub high: Option<f64>,
    /// How many pairs it rests on; those whose open edges say nothing are not counted.
    pub pairs: u32,
    /// In how many the gap closed for certain: left under a leaf that entered when set.
    pub closed: u32,
    /// In how many it opened for certain: a leaf entered that did not when set.
    pub opened: u32,
    /// The sign test's two-sided p-value, exact.
    pub p: f64,
    /// Which way the settings move.
    pub tends: Tends,
}

/// Pairs from which nothing can be said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum CarryError {
    /// No pair.
    #[error("no valve was read both as set and as left: carry needs at least one such pair")]
    NoPairs,
    /// Every pair is open at both ends.
    #[error("the leaves of these readings leave every change open: read with a go and a no-go leaf")]
    AllOpen,
}

/// What tightening does to one person's settings, from pairs of *set* and *left*.
///
/// The change of a pair lies between `left go − set no-go` and `left no-go − set go`; a missing leaf leaves that end
/// open. The sign test counts the pairs whose whole interval lies on one side of zero; those that may be either are
/// ties and left out of it, as is usual. A tendency is a two-sided p of at most 5 % (common practice, no source).
/// Without one it is [`Tends::Neither`], unless fewer than [`FEWEST_MOVES`] pairs are in, or fewer moved and those
/// that stood still are not the more: then [`Tends::NotKnown`].
///
/// Half the width of a bracket hides a small carry from the sign test but not from the likely change: with leaves a thou
/// apart, a carry of half a thou moves every other reading by one leaf, and the mean of these is half a thou.
///
/// Source: the sign test's p is the binomial's, `2 P(B(n, ½) <= min(closed, opened))`, at most 1 (textbook, from
/// memory); the rest is derived in `drift/combine.rs`.
///
/// # Errors
/// [`CarryError::NoPairs`], or [`CarryError::AllOpen`] where no pair has an end.
pub fn carry(pairs: &[CarryPair]) -> Result<Carry, CarryError> {
    if pairs.is_empty() {
        return Err(CarryError::NoPairs);
    }
    let changes: Vec<Known> = pairs.iter().map(|pair| Known::change(&pair.set, &pair.left)).filter(Known::tells).collect();
    let together = combine(&changes).ok_or(CarryError::AllOpen)?;
    let count = |which: fn(&&Known) -> bool| u32::try_from(changes.iter().filter(which).count()).unwrap_or(u32::MAX);
    // A clearance is under its no-go and at least its go, so a change never is the end that touches zero here.
    let closed = count(|change| change.high <= 0.0);
    let opened = count(|change| change.low >= 0.0);
    let still = count(|change| change.low < 0.0 && change.high > 0.0 && change.low.is_finite() && change.high.is_finite());
    let moved = closed.saturating_add(opened);
    let p = (2.0 * at_most(u64::from(closed.min(opened)), u64::from(moved))).min(1.0);
    let tends = if p <= TAIL {
        if closed > opened { Tends::Tighter } else { Tends::Looser }
    } else if moved.saturating_add(still) < FEWEST_MOVES || (moved < FEWEST_MOVES && still <= moved) {
        Tends::NotKnown
    } else {
        Tends::Neither
    };
    Ok(Carry {
        likely: together.likely,
        low: together.low,
        high: together.high,
        pairs: u32::try_from(changes.len()).unwrap_or(u32::MAX),
        closed,
        opened,
        p,
        tends,
    })
}

impl Carry {
    /// The carry in a sentence or two: "Pia's lock nut closes the gap by about 0.6 thou; set that much wider, then
    /// check again after turning the engine over."
    ///
    /// Advises only where there is a tendency and the likely change goes the same way.
    #[must_use]
    pub fn words(&self, who: &str, unit: LengthUnit) -> String {
        let pairs = count(self.pairs as usize, "pair", "pairs");
        let seen = format!("closed in {}, opened in {} of {pairs}", self.closed, self.opened);
        let (verb, other) = match self.tends {
            Tends::Tighter => ("closes", "wider"),
            Tends::Looser => ("opens", "tighter"),
            Tends::Neither => return format!("{who}'s lock nut does not move the gap one way or the other ({seen})."),
            Tends::NotKnown => return format!("What {who}'s lock nut does is not known yet ({seen}): too few settings tell."),
        };
        let same_way = |likely: &f64| (*likely < 0.0) == (self.tends == Tends::Tighter);
        // Too small to name is too small to allow for.
        let nothing = |text: &String| text.bytes().all(|b| matches!(b, b'0' | b'.'));
        match self.likely.filter(same_way).map(|likely| fine(likely, unit)).filter(|text| !nothing(text)) {
            Some(by) => format!(
                "{who}'s lock nut {verb} the gap by about {by} {unit}; set that much {other}, then check again after turning the engine over."
            ),
            None => {
                format!("{who}'s lock nut {verb} the gap ({seen}), by how much is not known; check again after turning the engine over.")
            }
        }
    }
}

#[cfg(test)]
mod tests;
