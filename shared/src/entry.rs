//! What people type as quantities: the one reader of lengths, pairs of leaves, ranges, threads, angles and temperatures.
//!
//! Every entry of every surface comes through here: the terminal, tables of engine cards, forms, the phone and queries over HTTP.
//! A unit that is written always decides. A bare number is in the person's unit, with two exceptions, since manuals and leaves
//! are marked in decimal inches:
//!
//! - Where thou are meant, a number under 0.5 that is written with a leading point or as `0.0…` is inches: `.005` is 5 thou. The
//!   answer says so ([`Read::note`]).
//! - What could be either is refused with the readings named: `0.15` or `0.5` where thou are meant, `0.005` where millimetres are
//!   meant, and `0015`.
//!
//! A fraction, as `1/4` or `1 1/4 in.`, is inches: rules are marked so, in halves down to sixty-fourths.
//!
//! So a number is read as what was meant, or not at all. Common practice, no source.

mod number;

use std::fmt;

use crate::engine_card::{EITHER_SIDE_MM, EITHER_SIDE_THOU, Said, Thread};
use crate::leaf::{LeafError, check_entered};
use crate::length::{Length, LengthError, LengthUnit};
use crate::sensible::{ANGLE, ANY_LENGTH, NotSensible, PAST_TDC_TENTH_DEG, PITCH_UM, RANGE_LIMIT, RATIO_MILLI, Sensible, THREADS_PER_INCH};

pub use number::decimal;
use number::{Spelt, Written, spelt};

/// A length that was read, and whether its bare number was taken for inches.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Read {
    /// The length.
    pub length: Length,
    /// The inches that a bare number was taken for, as in "0.005 in.".
    inches: Option<String>,
}

/// Why an entry is not taken. A sentence without its full stop; nothing was kept.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum EntryError {
    /// Not a length, or one that could be read in two ways.
    #[error(transparent)]
    Length(#[from] LengthError),
    /// Not a sensible value.
    #[error(transparent)]
    NotSensible(#[from] NotSensible),
    /// Not a leaf.
    #[error("{}", .0.trim_end_matches('.'))]
    Leaf(String),
    /// One leaf, without a word on whether it goes.
    #[error("\"{given}\" does not say which leaf goes: write 5/6 (5 goes, 6 does not), 5/ or /6")]
    WhichLeaf {
        /// What was given.
        given: String,
    },
    /// Of another form than it must have.
    #[error("\"{given}\" is not {what}: write {example}")]
    Form {
        /// What was given.
        given: String,
        /// What it was to be.
        what: &'static str,
        /// How it is written.
        example: &'static str,
    },
}

/// The two leaves of a reading, and the single leaves where any were stacked.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Pair {
    /// The largest that goes.
    pub go: Option<Length>,
    /// The smallest that does not go.
    pub no_go: Option<Length>,
    /// The single leaves of stacks.
    pub single: Vec<Length>,
    /// What was taken for inches, as in "0.005 in., 5 thou".
    pub notes: Vec<String>,
}

/// A range with both ends, and the figure in its middle where it was written as one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Span {
    /// The low end.
    pub low: Length,
    /// The high end.
    pub high: Length,
    /// The one figure, or the one that ± was said of.
    pub middle: Option<Length>,
    /// How it was written, where both ends were not.
    pub said: Option<Said>,
    /// What was taken for inches.
    pub notes: Vec<String>,
}

impl Read {
    /// What the answer says where a bare number was taken for inches: "0.005 in., 5 thou".
    #[must_use]
    pub fn note(&self) -> Option<String> {
        self.inches.as_ref().map(|inches| format!("{inches}, {}", self.length.show(LengthUnit::Thou)))
    }
}

/// What an answer says of numbers that were taken for inches; nothing where none was.
#[must_use]
pub fn notes_words(notes: &[String]) -> Option<String> {
    (!notes.is_empty()).then(|| format!("Read as inches: {}.", notes.join("; ")))
}

impl fmt::Display for Read {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.note().unwrap_or_else(|| self.length.show(LengthUnit::Thou)))
    }
}

/// Reads a length of any kind; for what has no sensible range of its own.
///
/// # Errors
/// [`EntryError`] where it is not a length, or could be read in two ways.
pub fn any_length(text: &str, unit: LengthUnit) -> Result<Read, EntryError> {
    length(text, unit, &ANY_LENGTH)
}

/// Reads a length of one kind.
///
/// # Errors
/// [`EntryError`] where it is not a length, could be read in two ways, or is not sensible.
pub fn length(text: &str, unit: LengthUnit, of: &Sensible<Length>) -> Result<Read, EntryError> {
    let spelt = spelt(text)?;
    let read = spelt.read(unit)?;
    sensible(&spelt, &read, unit, of)?;
    Ok(read)
}

/// Reads a length from a field that names its unit: a bare number in a field "in mm" is millimetres. In thou the rule for decimal
/// inches holds all the same: that is where people write them.
///
/// # Errors
/// As [`length`].
pub fn labelled(text: &str, unit: LengthUnit, of: &Sensible<Length>) -> Result<Read, EntryError> {
    let bare = spelt(text)?.unit.is_none();
    let text = if bare && unit == LengthUnit::Mm { format!("{}mm", text.trim()) } else { text.to_owned() };
    length(&text, unit, of)
}

/// Reads a leaf.
///
/// # Errors
/// [`EntryError`] where it is not a leaf.
pub fn leaf(text: &str, unit: LengthUnit) -> Result<Read, EntryError> {
    let read = spelt(text)?.read(unit)?;
    check_entered(read.length).map_err(|error| leaf_error(&error, unit))?;
    Ok(read)
}

/// Reads the two leaves of a reading in short: `5/6` (5 goes, 6 does not), `5/`, `/6`; a stack is `3+2`. A unit that is written
/// once holds for all.
///
/// # Errors
/// [`EntryError`] where it does not say which leaf goes, or one is not a leaf.
pub fn pair(text: &str, unit: LengthUnit) -> Result<Pair, EntryError> {
    let wrong = || EntryError::WhichLeaf { given: text.to_owned() };
    let (go, no_go) = text.split_once('/').ok_or_else(wrong)?;
    let some = |side: &str| Some(side.trim().to_owned()).filter(|side| !side.is_empty());
    pair_of(some(go).as_deref(), some(no_go).as_deref(), unit)
}

/// Reads the two leaves apart. A unit that is written once holds for both.
///
/// # Errors
/// As [`pair`].
pub fn pair_of(go: Option<&str>, no_go: Option<&str>, unit: LengthUnit) -> Result<Pair, EntryError> {
    let sides: Vec<Vec<&str>> = [go, no_go].map(|side| side.map_or_else(Vec::new, |side| side.split('+').collect())).to_vec();
    let read = together(&sides.concat(), unit)?;
    let mut pair = Pair { notes: notes_of(&read), ..Pair::default() };
    let mut rest = read.as_slice();
    let mut stack = |count: usize| -> Result<Option<Length>, EntryError> {
        let (mine, others) = rest.split_at(count.min(rest.len()));
        rest = others;
        if mine.is_empty() {
            return Ok(None);
        }
        for leaf in mine {
            check_entered(leaf.length).map_err(|error| leaf_error(&error, unit))?;
        }
        if mine.len() > 1 {
            pair.single.extend(mine.iter().map(|leaf| leaf.length));
        }
        let whole = mine.iter().fold(Length::ZERO, |sum, leaf| sum.plus(leaf.length));
        check_entered(whole).map_err(|error| leaf_error(&error, unit))?;
        Ok(Some(whole))
    };
    let (go, no_go) = (stack(sides.first().map_or(0, Vec::len))?, stack(sides.get(1).map_or(0, Vec::len))?);
    Ok(Pair { go, no_go, ..pair })
}

/// Reads a clearance range: `4-6`, `4..6`, `4 to 6`, `.004-.006`, `0.10-0.15mm`, `5 ± 1`; or one figure, `5`, which is taken
/// with a thou either side, in mm with 0.02 mm. A unit that is written once holds for all.
///
/// # Errors
/// [`EntryError`] where an end is missing, or is not sensible for a clearance.
pub fn span(text: &str, unit: LengthUnit) -> Result<Span, EntryError> {
    let wrong = || EntryError::Form {
        given: text.to_owned(),
        what: "a range",
        example: "both ends, as in 4-6, 0.10mm-0.15mm or .004-.006, a figure with its tolerance, as in 5 ± 1, or one figure, as in 5",
    };
    let apart = |marks: &[&str]| marks.iter().find_map(|mark| text.split_once(mark)).map(|(a, b)| [a.trim(), b.trim()]);
    let check = |length: Length| RANGE_LIMIT.check_length(length, unit);
    let whole = |ends: &[&str; 2]| ends.iter().all(|end| !end.is_empty());
    let about = |middle: Length, either: Length, said, notes| {
        let (low, high) = (middle.minus(either), middle.plus(either));
        check(low)?;
        check(high)?;
        Ok(Span { low, high, middle: Some(middle), said: Some(said), notes })
    };
    let (tolerance, ends) = (apart(&["±", "+/-", "+-"]), apart(&["..", "–", "—", " to ", "-", "/"]));
    if tolerance.is_none() && ends.is_none() {
        let Ok(spelt) = spelt(text) else { return Err(wrong()) };
        let metric = spelt.unit.map_or(unit == LengthUnit::Mm, Written::is_metric);
        let read = spelt.read(unit)?;
        return about(read.length, if metric { EITHER_SIDE_MM } else { EITHER_SIDE_THOU }, Said::Figure, notes_of(&[read]));
    }
    if let Some(parts) = tolerance.filter(whole) {
        let read = together(&parts, unit)?;
        let (Some(middle), Some(either)) = (read.first(), read.get(1)) else { return Err(wrong()) };
        return about(middle.length, either.length, Said::Tolerance, notes_of(&read));
    }
    let ends = ends.filter(whole).ok_or_else(wrong)?;
    let read = together(&ends, unit)?;
    let (Some(low), Some(high)) = (read.first(), read.get(1)) else { return Err(wrong()) };
    check(low.length)?;
    check(high.length)?;
    Ok(Span { low: low.length, high: high.length, middle: None, said: None, notes: notes_of(&read) })
}

/// Reads an angle in degrees.
///
/// # Errors
/// [`EntryError`] where it is not a number, or not sensible.
pub fn degrees(text: &str) -> Result<f64, EntryError> {
    let number = text.trim().trim_end_matches('°').trim_end().replace(',', ".");
    let plain = number.bytes().all(|b| b.is_ascii_digit() || b == b'.' || b == b'-');
    let wrong = || EntryError::Form { given: text.to_owned(), what: "an angle", example: "degrees, as in 20 or 12.5" };
    let degrees: f64 = number.parse().ok().filter(|_| plain).ok_or_else(wrong)?;
    let (least, greatest) = (f64::from(ANGLE.least), f64::from(ANGLE.greatest));
    Sensible { what: ANGLE.what, least, greatest, why: ANGLE.why }.check(degrees)?;
    Ok(degrees)
}

/// Reads how far past top dead center a valve is checked, in degrees of the crank with at most one decimal, as tenths.
///
/// # Errors
/// [`EntryError`] where it is not one, or not sensible.
pub fn past_tdc_tenth_deg(text: &str) -> Result<u32, EntryError> {
    let wrong = || EntryError::Form {
        given: text.to_owned(),
        what: "an angle past top dead center",
        example: "degrees with at most one decimal, as in 10 or 12.5",
    };
    let number = text.trim().trim_end_matches('°').trim_end();
    let tenths = decimal(number, 1).and_then(|tenths| u32::try_from(tenths).ok()).ok_or_else(wrong)?;
    PAST_TDC_TENTH_DEG.check(tenths)?;
    Ok(tenths)
}

/// Reads a temperature in degrees Celsius with at most one decimal, as tenths.
///
/// # Errors
/// [`EntryError`] where it is not one, or not sensible.
pub fn tenth_c(text: &str, of: &Sensible<i32>) -> Result<i32, EntryError> {
    let wrong = || EntryError::Form {
        given: text.to_owned(),
        what: "a temperature",
        example: "degrees Celsius with at most one decimal, as in 18.5",
    };
    let tenths = decimal(text, 1).ok_or_else(wrong)?;
    of.check(tenths)?;
    Ok(tenths)
}

/// Reads a rocker ratio, as thousandths.
///
/// # Errors
/// [`EntryError`] where it is not one, or not sensible.
pub fn ratio_milli(text: &str) -> Result<u32, EntryError> {
    let wrong = || EntryError::Form { given: text.to_owned(), what: "a rocker ratio", example: "it as in 1.3" };
    let milli = decimal(text, 3).and_then(|milli| u32::try_from(milli).ok()).ok_or_else(wrong)?;
    RATIO_MILLI.check(milli)?;
    Ok(milli)
}

/// Reads a thread: `M6x1` (metric, pitch in mm), `1/4-28` (threads in one inch), or [`Thread::words`].
///
/// # Errors
/// [`EntryError`] where it is not one, or not sensible.
pub fn thread(text: &str) -> Result<Thread, EntryError> {
    let wrong = || EntryError::Form {
        given: text.to_owned(),
        what: "a thread",
        example: "M6x1 (pitch in mm), 1/4-28 (threads in an inch), \"pitch 1.000 mm\" or \"24 threads in an inch\"",
    };
    let given = text.trim().to_ascii_lowercase();
    let pitch = |text: &str| decimal(text, 3).and_then(|um| u32::try_from(um).ok()).map(Thread::PitchUm);
    let count = |text: &str| text.trim().parse().ok().map(Thread::PerInch);
    let metric = given.strip_prefix('m').and_then(|rest| rest.split_once('x')).map(|(_, pitch)| pitch);
    let metric = metric.or_else(|| given.strip_prefix("pitch ").and_then(|rest| rest.strip_suffix("mm")));
    let thread = match metric {
        Some(metric) => pitch(metric),
        None => given.strip_suffix(" threads in an inch").or_else(|| given.rsplit_once('-').map(|(_, count)| count)).and_then(count),
    };
    let thread = thread.ok_or_else(wrong)?;
    check_thread(thread)?;
    Ok(thread)
}

/// Whether a thread is one that an adjuster may have.
///
/// # Errors
/// [`NotSensible`] with the reason.
pub fn check_thread(thread: Thread) -> Result<(), NotSensible> {
    match thread {
        Thread::PitchUm(um) => PITCH_UM.check(um),
        Thread::PerInch(count) => THREADS_PER_INCH.check(count),
    }
}

/// Several lengths of one entry: a unit that is written once holds for those that have none.
pub(crate) fn together(parts: &[&str], unit: LengthUnit) -> Result<Vec<Read>, LengthError> {
    let spelt = parts.iter().map(|part| spelt(part)).collect::<Result<Vec<Spelt<'_>>, _>>()?;
    let mut units: Vec<_> = spelt.iter().filter_map(|one| one.unit).collect();
    units.dedup();
    let shared = if let [only] = units.as_slice() { Some(*only) } else { None };
    spelt.into_iter().map(|one| one.or_in(shared).read(unit)).collect()
}

/// What was taken for inches among several.
pub(crate) fn notes_of(read: &[Read]) -> Vec<String> {
    read.iter().filter_map(Read::note).collect()
}

fn leaf_error(error: &LeafError, unit: LengthUnit) -> EntryError {
    EntryError::Leaf(error.in_unit(unit))
}

/// A length of its kind, or a refusal that names the unit in which the same number would be one.
fn sensible(spelt: &Spelt<'_>, read: &Read, unit: LengthUnit, of: &Sensible<Length>) -> Result<(), NotSensible> {
    let Err(mut refused) = of.check_length(read.length, unit) else { return Ok(()) };
    if let Some(note) = read.note() {
        refused.given = note.into();
    }
    let others = spelt.in_each_unit().into_iter().filter(|(length, _)| *length != read.length && of.holds(*length));
    let others: Vec<String> = others.map(|(_, words)| words).collect();
    if !others.is_empty() && of.least != of.greatest {
        refused.hint = format!("; did you mean {}?", others.join(" or ")).into();
    }
    Err(refused)
}

#[cfg(test)]
mod tests;
