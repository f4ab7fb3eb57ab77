//! Feeler leaves: the set a person carries, and the thicknesses that one leaf or two stacked leaves can make.
//!
//! No tolerance is built in: no published tolerance table could be read, so it stays an input elsewhere.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use serde::{Deserialize, Serialize};

use crate::entry::{Read, notes_of, together};
use crate::length::{Length, LengthError, LengthUnit, TENTH_UM_PER_THOU};
use crate::sensible::LEAF;

/// The thickest feeler leaf, 1.5 mm. More is a slip of the unit or the decimal point.
pub const THICKEST_LEAF: Length = LEAF.greatest;

/// The most leaves in one set: ten times a usual one, so that the stacks of a set stay few.
pub const MOST_LEAVES: usize = 250;

/// Steps of a metric range such as `0.05mm-0.10mm`: 0.01 mm, in tenths of a µm.
const METRIC_STEP_TENTH_UM: i64 = 100;

/// The leaves a person has: at least one, each above zero and at most [`THICKEST_LEAF`], thinnest first, none twice.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "LeafSetWire", into = "LeafSetWire")]
pub struct LeafSet {
    leaves: Vec<Length>,
}

/// What goes into a gap: one leaf, or two leaves stacked.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Feeler {
    /// The thickness of all its leaves together.
    #[serde(rename = "thickness_tenth_um")]
    pub thickness: Length,
    /// Its one or two leaves, thinner first.
    #[serde(rename = "leaves_tenth_um")]
    pub leaves: Vec<Length>,
}

/// Thicknesses that cannot be a leaf, or a text that names no leaves.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LeafError {
    /// No leaf was given.
    Empty,
    /// A thickness of zero or less.
    NotPositive {
        /// What was given.
        given: Length,
    },
    /// A thickness under that of the thinnest leaf.
    TooThin {
        /// What was given.
        given: Length,
    },
    /// A thickness over [`THICKEST_LEAF`].
    TooThick {
        /// What was given.
        given: Length,
    },
    /// More than [`MOST_LEAVES`] leaves.
    TooMany {
        /// How many were given.
        given: usize,
    },
    /// A range that ends before it starts, or whose ends are not whole steps (1 thou, or 0.01 mm).
    NotARange {
        /// What was given.
        given: String,
    },
    /// A comma that may stand for a decimal point or between two leaves.
    Commas {
        /// What was given.
        given: String,
    },
    /// A thickness that could not be read.
    Unreadable(#[from] LengthError),
}

/// A leaf set as it travels.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct LeafSetWire {
    leaves_tenth_um: Vec<Length>,
}

impl LeafError {
    /// The sentence, with lengths in the person's own unit. A leaf that is too thick but would be a leaf at a
    /// tenth of its thickness is answered with that likely slip of the decimal point.
    #[must_use]
    pub fn in_unit(&self, unit: LengthUnit) -> String {
        let said = self.said(unit);
        let mut letters = said.chars();
        let first = letters.next().map(|c| c.to_ascii_uppercase());
        let end = if said.ends_with('?') { "" } else { "." };
        first.into_iter().chain(letters).collect::<String>() + end
    }

    fn said(&self, unit: LengthUnit) -> String {
        match self {
            Self::Empty => "a leaf set has at least one leaf: write their thicknesses, as in 2,3,4,5,6 or 2-12".to_owned(),
            Self::NotPositive { given } => format!("{} is no leaf: a leaf has a thickness above zero", plain(*given, unit)),
            Self::TooThin { given } => {
                let limit = match unit {
                    LengthUnit::Mm => "0.02 mm",
                    LengthUnit::Inch => ".0008 in, 0.02 mm",
                    LengthUnit::Thou => "0.8 thou, 0.02 mm",
                };
                format!("{} is thinner than any feeler leaf (at least {limit}): check the unit and the decimal point", plain(*given, unit))
            }
            Self::TooThick { given } => {
                let limit = match unit {
                    LengthUnit::Mm => "1.5 mm",
                    LengthUnit::Inch => ".059 in, 1.5 mm",
                    LengthUnit::Thou => "59 thou, 1.5 mm",
                };
                let slip = likely_leaf(*given).map_or_else(String::new, |leaf| format!(": did you mean {}?", plain(leaf, unit)));
                format!("{} is thicker than any feeler leaf (at most {limit}){slip}", plain(*given, unit))
            }
            Self::TooMany { given } => format!("{given} leaves are more than any set has (at most {MOST_LEAVES})"),
            Self::NotARange { given } => format!(
                "\"{given}\" is not a range of leaves: write the thinnest first, both ends in whole thou (2-12) or whole 0.01 mm (0.05mm-0.10mm)"
            ),
            Self::Commas { given } => format!(
                "in \"{given}\" a comma can be a decimal comma or stand between two leaves: write decimals with a point, or each with its unit"
            ),
            Self::Unreadable(unreadable) => unreadable.to_string(),
        }
    }
}

impl fmt::Display for LeafError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.said(LengthUnit::Mm))
    }
}

/// Whether a thickness can be one leaf: above zero, at most [`THICKEST_LEAF`].
///
/// # Errors
/// [`LeafError::NotPositive`] or [`LeafError::TooThick`].
pub fn check_leaf(leaf: Length) -> Result<(), LeafError> {
    if leaf <= Length::ZERO {
        return Err(LeafError::NotPositive { given: leaf });
    }
    if leaf > LEAF.greatest {
        return Err(LeafError::TooThick { given: leaf });
    }
    Ok(())
}

/// Whether a thickness that somebody entered is a leaf, by [`LEAF`].
///
/// # Errors
/// [`LeafError::TooThin`], and as [`check_leaf`].
pub fn check_entered(leaf: Length) -> Result<(), LeafError> {
    check_leaf(leaf)?;
    if leaf < LEAF.least { Err(LeafError::TooThin { given: leaf }) } else { Ok(()) }
}

impl LeafSet {
    /// The set of these leaves, in any order, repeats allowed.
    ///
    /// # Errors
    /// [`LeafError`] where there is none, too many, or one cannot be a leaf.
    pub fn new(leaves: Vec<Length>) -> Result<Self, LeafError> {
        let leaves: BTreeSet<Length> = leaves.into_iter().collect();
        for leaf in &leaves {
            check_leaf(*leaf)?;
        }
        match leaves.len() {
            0 => Err(LeafError::Empty),
            given if given > MOST_LEAVES => Err(LeafError::TooMany { given }),
            _ => Ok(Self { leaves: leaves.into_iter().collect() }),
        }
    }

    /// Reads a list such as `2,3,4,5 6 7` or `0.05mm,0.10mm`. Commas, semicolons and blanks separate, so decimals take a point
    /// here, but for `0,05`. A bare number is read as in [`crate::entry`]: `.004` is 4 thou. `2-12` stands for every whole thou
    /// from 2 to 12 and `0.05mm-0.10mm` for every 0.01 mm; a unit on one end of a range holds for the other.
    ///
    /// # Errors
    /// [`LeafError`] where a thickness or range cannot be read, or the leaves make no set.
    pub fn parse(text: &str, unit: LengthUnit) -> Result<Self, LeafError> {
        Self::parse_noted(text, unit).map(|(set, _)| set)
    }

    /// As [`LeafSet::parse`], with what was taken for inches, as in "0.005 in., 5 thou".
    ///
    /// # Errors
    /// As [`LeafSet::parse`].
    pub fn parse_noted(text: &str, unit: LengthUnit) -> Result<(Self, Vec<String>), LeafError> {
        let tokens = tokens(text)?;
        let (mut leaves, mut notes) = (BTreeSet::new(), Vec::new());
        for token in &tokens {
            let ends: Vec<&str> = match token.split_once('-') {
                Some((low, high)) if !low.is_empty() => vec![low, high],
                _ => vec![token],
            };
            let read = together(&ends, unit)?;
            for leaf in &read {
                check_entered(leaf.length)?;
            }
            notes.extend(notes_of(&read));
            match read.as_slice() {
                [from, to] => leaves.extend(range(token, from, to, unit)?),
                one => leaves.extend(one.iter().map(|leaf| leaf.length)),
            }
        }
        Ok((Self::new(leaves.into_iter().collect())?, notes))
    }

    /// The leaves, thinnest first.
    #[must_use]
    pub fn leaves(&self) -> &[Length] {
        &self.leaves
    }

    /// A plain inch set: 1.5, 2, 2.5 and 3 to 25 thou. Common practice, no source.
    #[must_use]
    pub fn inch() -> Self {
        let half_thou = [3, 4, 5].into_iter().chain((3..=25).map(|thou| 2 * thou));
        Self { leaves: half_thou.map(|half| Length::from_tenth_um(half * TENTH_UM_PER_THOU / 2)).collect() }
    }

    /// A plain metric set: 0.03 to 0.10 mm by 0.01, 0.15 to 0.30 by 0.05, 0.4 to 1.0 by 0.1. Common practice, no source.
    #[must_use]
    pub fn metric() -> Self {
        let hundredths = (3..=10).chain([15, 20, 25, 30]).chain((4..=10).map(|tenth_mm| 10 * tenth_mm));
        Self { leaves: hundredths.map(|hundredth| Length::from_tenth_um(hundredth * METRIC_STEP_TENTH_UM)).collect() }
    }

    /// Every thickness that one leaf or two different leaves stacked can make, up to [`THICKEST_LEAF`], thinnest
    /// first, each once.
    ///
    /// Where several make the same thickness, a single leaf is taken before a stack, and among stacks the one whose
    /// thinner leaf is thickest (thin leaves crumple and bend): 0.15 + 0.20 mm before 0.05 + 0.30 mm.
    #[must_use]
    pub fn stacks(&self) -> Vec<Feeler> {
        let mut made: BTreeMap<Length, Vec<Length>> = BTreeMap::new();
        // Thickest thinner leaf first, so that the first stack of a thickness is the one to keep.
        for (at, thinner) in self.leaves.iter().enumerate().rev() {
            for thicker in self.leaves.iter().skip(at + 1) {
                let thickness = thinner.plus(*thicker);
                if thickness <= THICKEST_LEAF {
                    made.entry(thickness).or_insert_with(|| vec![*thinner, *thicker]);
                }
            }
        }
        for leaf in &self.leaves {
            made.insert(*leaf, vec![*leaf]);
        }
        made.into_iter().map(|(thickness, leaves)| Feeler { thickness, leaves }).collect()
    }
}

impl Feeler {
    /// The feeler in words: "5 thou", or "6.5 thou (2.5 and 4 thou stacked)".
    #[must_use]
    pub fn words(&self, unit: LengthUnit) -> String {
        match self.leaves.as_slice() {
            [thinner, thicker] => {
                format!("{} ({} and {} stacked)", self.thickness.show(unit), thinner.show_bare(unit), thicker.show(unit))
            }
            _ => self.thickness.show(unit),
        }
    }
}

impl TryFrom<LeafSetWire> for LeafSet {
    type Error = LeafError;
    fn try_from(wire: LeafSetWire) -> Result<Self, LeafError> {
        Self::new(wire.leaves_tenth_um)
    }
}

impl From<LeafSet> for LeafSetWire {
    fn from(set: LeafSet) -> Self {
        Self { leaves_tenth_um: set.leaves }
    }
}

/// A tenth of a thickness that is no leaf, where that is a whole number of tenths of a µm and would be one.
fn likely_leaf(given: Length) -> Option<Length> {
    let tenth = Length::from_tenth_um(given.tenth_um() / 10);
    (given.tenth_um() % 10 == 0 && check_leaf(tenth).is_ok()).then_some(tenth)
}

/// The length without the zeros that nobody typed: "5 mm", not "5.00 mm".
fn plain(length: Length, unit: LengthUnit) -> String {
    let bare = length.show_bare(unit);
    let bare = if bare.contains('.') { bare.trim_end_matches('0').trim_end_matches('.') } else { &bare };
    format!("{bare} {}", unit.name())
}

/// A list of leaves in its parts, each a leaf or a range.
fn tokens(text: &str) -> Result<Vec<String>, LeafError> {
    let mut joined = text.replace('–', "-");
    while joined.contains(" -") || joined.contains("- ") {
        joined = joined.replace(" -", "-").replace("- ", "-");
    }
    let mut tokens: Vec<String> = Vec::new();
    let words: Vec<&str> = joined.split(';').flat_map(str::split_whitespace).collect();
    // "1,5 2,5" may be two leaves or four, and ",005" begins with a decimal comma.
    // Where a point is the decimal mark, a comma stands between.
    let inner = |word: &&&str| word.trim_matches(',').contains(',') && !word.contains('.');
    let one_comma = |word: &&str| word.trim_matches(',').matches(',').count() == 1 && !decimal_comma(word);
    let doubtful = words.len() > 1 && words.iter().filter(inner).count() > 0 && words.iter().filter(inner).all(one_comma);
    let leads = words.iter().any(|word| word.starts_with(",0"));
    if doubtful || leads {
        return Err(LeafError::Commas { given: text.trim().to_owned() });
    }
    for word in words {
        let parts: Vec<&str> = if decimal_comma(word) { vec![word] } else { word.split(',').filter(|part| !part.is_empty()).collect() };
        for part in parts {
            match tokens.last_mut() {
                // "0.05 mm": a unit of its own belongs to the number before it.
                Some(before) if suffix(part) == part && suffix(before).is_empty() => before.push_str(part),
                _ => tokens.push(part.to_owned()),
            }
        }
    }
    Ok(tokens)
}

/// Whether a word is one number with a decimal comma: no leaf is 0, so that `0,05` can only be a decimal.
fn decimal_comma(word: &str) -> bool {
    let word = word.trim_end_matches(',');
    word.matches(',').count() == 1 && word.starts_with("0,") && word.len() > 2
}

/// What follows the digits of a length as typed: its unit, if any.
fn suffix(text: &str) -> &str {
    text.trim_start_matches(|c: char| c.is_ascii_digit() || c == '.' || c == ',' || c == '-')
}

/// Every leaf of a range, ends included: by whole thou where it was written in thou or inches, else by 0.01 mm.
fn range(token: &str, from: &Read, to: &Read, unit: LengthUnit) -> Result<Vec<Length>, LeafError> {
    let written = suffix(token);
    let inches = from.note().is_some() || ["thou", "in", "\"", "″"].iter().any(|name| written.to_lowercase().contains(name));
    let by_thou = inches || (unit != LengthUnit::Mm && !written.to_lowercase().contains('m'));
    let step = if by_thou { TENTH_UM_PER_THOU } else { METRIC_STEP_TENTH_UM };
    let (from, to) = (from.length.tenth_um(), to.length.tenth_um());
    if from > to || from % step != 0 || to % step != 0 {
        return Err(LeafError::NotARange { given: token.to_owned() });
    }
    Ok((from / step..=to / step).map(|steps| Length::from_tenth_um(steps * step)).collect())
}

#[cfg(test)]
mod tests;
