//! Drift: how a clearance changes with hours, from how a valve was *left* to how it was next *found*.
//!
//! Readings are brackets, so a change is an interval: found at least its go leaf and under its no-go, left likewise,
//! and the change anything between. Over the hours run it is a rate; many of them are brought together by
//! [`drift`]. What that says of the next check is [`hours_to_leave`] and [`needed_interval`].
//!
//! All in tenths of a µm per 100 engine hours; above zero the clearance opens, below zero it closes. Derived here
//! from interval arithmetic; no source. [`mann_kendall`] is a published test.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal};

use crate::bracket::Bracket;
use crate::engine_card::Range;
use crate::hours::Hours;
use crate::length::LengthUnit;
use crate::text::count;
use crate::usage::{MOST_POINTS, kendall};

pub(crate) mod combine;

use combine::{Known, combine};

/// What the intervals here and in [`crate::carry`] leave out, both ends together. Common practice, no source.
pub(crate) const TAIL: f64 = 0.05;

/// Tenths of an hour in the 100 h that a drift is given for.
const PER_TENTHS: f64 = 1000.0;

/// Fewer engine hours than these between *left* and *found* say nothing of wear: two hands, a leaf's width and a warm engine differ by
/// more. Common practice, no source.
pub const LEAST_BETWEEN: Hours = Hours::from_tenths(50);
/// No wear takes a valve from its aim out of its range in fewer hours than these: something gives way, or a reading is wrong. Common
/// practice, no source.
pub const FASTEST_WEAR: Hours = Hours::from_tenths(100);

/// A valve as it was left and as it was next found, without an adjustment between.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pair {
    /// As it was left, the engine turned over.
    pub left: Bracket,
    /// As it was next found.
    pub found: Bracket,
    /// Engine hours run between, above zero.
    #[serde(rename = "tenth_h")]
    pub hours: Hours,
}

/// The change per 100 engine hours, in **tenths of a µm**; above zero opens, below zero closes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Drift {
    /// The likely drift, from the pairs' middles. Missing where no pair has both edges.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tenth_um_per_100h: Option<f64>,
    /// The low end; missing where it is open.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low: Option<f64>,
    /// The high end; missing where it is open.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high: Option<f64>,
    /// How many pairs it rests on; those whose open edges say nothing are not counted.
    pub pairs: u32,
    /// Engine hours of these pairs together.
    #[serde(rename = "tenth_h")]
    pub hours: Hours,
    /// One unchanging drift fits every pair. If not, the drift varies or a reading is wrong.
    pub agree: bool,
}

/// Pairs or numbers from which nothing can be said.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DriftError {
    /// No pair.
    #[error("no valve was read as left and found again: drift needs at least one such pair with engine hours between")]
    NoPairs,
    /// Hours of zero or below.
    #[error("pair {} has {hours} engine hours between left and found: drift needs more than none", at + 1)]
    NoHours {
        /// Which pair, from zero.
        at: usize,
        /// What was given.
        hours: Hours,
    },
    /// Too few hours between, to tell wear from the difference between two readings.
    #[error("only {hours} engine hours lie between left and found: drift needs at least {LEAST_BETWEEN}")]
    TooSoon {
        /// The longest of them.
        hours: Hours,
    },
    /// Every pair is open at both ends.
    #[error("the leaves of these readings leave every change open: read with a go and a no-go leaf")]
    AllOpen,
    /// Fewer than two values.
    #[error("{given} values have no trend: it needs at least two")]
    TooFew {
        /// How many were given.
        given: usize,
    },
    /// More values than are compared.
    #[error("{given} values are more than the {MOST_POINTS} that are compared two by two")]
    TooMany {
        /// How many were given.
        given: usize,
    },
    /// NaN or infinite.
    #[error("a value is not a number")]
    NotFinite,
}

/// The pairs that tell of wear: those with at least [`LEAST_BETWEEN`] run between.
///
/// # Errors
/// [`DriftError::NoPairs`]; [`DriftError::TooSoon`] where none has.
pub fn wear_pairs(pairs: &[Pair]) -> Result<Vec<Pair>, DriftError> {
    let longest = pairs.iter().map(|pair| pair.hours).max().ok_or(DriftError::NoPairs)?;
    if longest < LEAST_BETWEEN {
        return Err(DriftError::TooSoon { hours: longest });
    }
    Ok(pairs.iter().copied().filter(|pair| pair.hours >= LEAST_BETWEEN).collect())
}

/// The change per 100 h from pairs of one valve, or of one kind of valve.
///
/// Each pair's rate lies between `(found go − left no-go)` and `(found no-go − left go)` over its hours; a missing
/// leaf leaves that end open. They are brought together **weighted by hours** (a bracket of a thou over 10 h says a
/// tenth of what it says over 100 h), with an interval that holds every median these brackets allow, and the scatter of
/// the pairs: the head of `drift/combine.rs` says how, and why neither intersection nor hull.
///
/// A valve that is set once it is found out of range is found last where its reading fell low: what it closes by is told as a
/// little more than it is, so the next check comes a little sooner.
///
/// More pairs make it surer but hardly narrower: its width is that of the leaves over the hours. A valve left alone
/// at several checks is best given as one long pair, from the last adjustment to the last reading.
///
/// # Errors
/// [`DriftError::NoPairs`], [`DriftError::NoHours`], or [`DriftError::AllOpen`] where no pair has an end.
pub fn drift(pairs: &[Pair]) -> Result<Drift, DriftError> {
    if pairs.is_empty() {
        return Err(DriftError::NoPairs);
    }
    if let Some((at, pair)) = pairs.iter().enumerate().find(|(_, pair)| pair.hours <= Hours::default()) {
        return Err(DriftError::NoHours { at, hours: pair.hours });
    }
    let rates: Vec<Known> = pairs
        .iter()
        .map(|pair| {
            let change = Known::change(&pair.left, &pair.found);
            let per_100h = PER_TENTHS / pair.hours.tenths() as f64;
            Known { low: change.low * per_100h, high: change.high * per_100h, weight: pair.hours.tenths() }
        })
        .filter(Known::tells)
        .collect();
    let together = combine(&rates).ok_or(DriftError::AllOpen)?;
    Ok(Drift {
        tenth_um_per_100h: together.likely,
        low: together.low,
        high: together.high,
        pairs: u32::try_from(rates.len()).unwrap_or(u32::MAX),
        hours: rates.iter().fold(Hours::default(), |sum, rate| sum.plus(Hours::from_tenths(rate.weight))),
        agree: together.agree,
    })
}

/// Engine hours until a clearance leaves its range. `earliest <= likely <= latest`; a missing one is later than any.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct HoursLeft {
    /// From the edge of the bracket nearest to leaving, by the fastest drift; zero where it may be out already.
    #[serde(rename = "earliest_tenth_h")]
    pub earliest: Option<Hours>,
    /// From the middle of the bracket by the likely drift. Missing: never, or not [`known`](Self::likely_known).
    #[serde(rename = "likely_tenth_h", default, skip_serializing_if = "Option::is_none")]
    pub likely: Option<Hours>,
    /// From the edge farthest from leaving, by the slowest drift. Missing: never, as the drift may be none.
    #[serde(rename = "latest_tenth_h", default, skip_serializing_if = "Option::is_none")]
    pub latest: Option<Hours>,
    /// The bracket has a middle and the drift a likely value, so a missing `likely` means never.
    pub likely_known: bool,
}

/// Engine hours from now until the clearance lies outside the range, down to whole tenths.
///
/// Every clearance of `present` is taken with every drift of the interval; a clearance outside the range has left it
/// after no hours. Never, where the drift is nothing or so slow that it takes more than [`Hours::MOST`]. An open edge
/// of `present` may lie outside already; an open end of `drift` may be as fast as any.
///
/// The earliest is pessimistic twice over and often zero with leaves a thou apart: it is the end of a range, not a
/// date to drive by.
#[must_use]
pub fn hours_to_leave(range: &Range, present: &Bracket, drift: &Drift) -> HoursLeft {
    let (low, high) = (range.low.tenth_um() as f64, range.high.tenth_um() as f64);
    let go = present.go().map_or(f64::NEG_INFINITY, |go| go.tenth_um() as f64);
    let no_go = present.no_go().map_or(f64::INFINITY, |no_go| no_go.tenth_um() as f64);
    let (slowest, fastest) = (drift.low.unwrap_or(f64::NEG_INFINITY), drift.high.unwrap_or(f64::INFINITY));

    // Time to leave falls the nearer the edge and the faster the drift, so the corners hold least and most.
    let leaves = |clearance: f64, rate: f64| {
        if clearance < low || clearance > high {
            return 0.0;
        }
        let room = if rate > 0.0 { high - clearance } else { clearance - low };
        // By a rate of nothing that is infinite or, from the very edge, not a number: never, to `tenths`.
        room / rate.abs()
    };
    let corners = [(go, slowest), (go, fastest), (no_go, slowest), (no_go, fastest)].map(|(clearance, rate)| leaves(clearance, rate));
    let earliest = corners.into_iter().reduce(f64::min);

    // The no-go leaf itself is not in the bracket: a bracket up to the low end of the range lies wholly outside.
    let outside = go > high || no_go <= low;
    let latest = if outside {
        Some(0.0)
    } else if slowest > 0.0 {
        Some(leaves(go.max(low), slowest))
    } else if fastest < 0.0 {
        Some(leaves(no_go.min(high), fastest))
    } else {
        None
    };
    let middle = (go.is_finite() && no_go.is_finite()).then(|| f64::midpoint(go, no_go));
    let likely = middle.zip(drift.tenth_um_per_100h.filter(|rate| !rate.is_nan()));
    HoursLeft {
        earliest: earliest.and_then(tenths),
        likely: likely.and_then(|(middle, rate)| tenths(leaves(middle, rate))),
        latest: latest.and_then(tenths),
        likely_known: likely.is_some(),
    }
}

/// Hours given in hundreds; `None` beyond what any meter shows.
#[expect(clippy::cast_possible_truncation, reason = "compared with the most that a meter shows before the cast")]
fn tenths(hundreds: f64) -> Option<Hours> {
    let tenths = (hundreds * PER_TENTHS).floor();
    (0.0..=Hours::MOST.tenths() as f64).contains(&tenths).then(|| Hours::from_tenths(tenths as i64))
}

/// The check interval this engine needs: the **likely** hours until its range is left, down to whole hours, and
/// never longer than the card's.
///
/// `left` is best taken from the clearance to set (a bracket about the aim), not from a worn one. The likely hours
/// and not the earliest, which leaves a thou apart make zero more often than not. Of several valves the shortest
/// counts. A drift that is not known or leads nowhere leaves the card's interval, and so does one that is long: what
/// the maker asks for is asked for other reasons as well. Below zero counts as zero. Common practice, no source.
#[must_use]
pub fn needed_interval(card: Hours, left: &HoursLeft) -> Hours {
    let card = card.max(Hours::default());
    left.likely.map_or(card, |likely| card.min(Hours::from_tenths(likely.tenths().max(0) / 10 * 10)))
}

/// What the interval that is needed, of at most the card's own, means to those who keep the engine.
#[must_use]
pub fn interval_words(needed: Hours, card: Hours) -> String {
    if needed < FASTEST_WEAR && needed < card {
        return format!(
            "Set to its aim, by these readings it is out of its range within {} h, and no wear is so fast. Look for what gives way (lock nut, stud, push rod, seat) or which reading is wrong, before it runs on.",
            needed.max(Hours::from_tenths(10))
        );
    }
    format!("Set to its aim, by these readings it wants a check every {needed} h, never later than its card says.")
}

impl Drift {
    /// The drift in a sentence: "Opens by about 0.5 thou per 100 h (0.2 closing to 1.2 opening), from 4 pairs over
    /// 410.0 h." Says where the pairs do not fit one drift.
    #[must_use]
    pub fn words(&self, unit: LengthUnit) -> String {
        let rate = |value: f64| match fine(value, unit) {
            text if is_nothing(&text) => text,
            text if value < 0.0 => format!("{text} closing"),
            text => format!("{text} opening"),
        };
        let likely = match self.tenth_um_per_100h {
            Some(likely) if is_nothing(&fine(likely, unit)) => return self.unchanged_words(unit),
            Some(likely) if likely < 0.0 => format!("Closes by about {} {unit} per 100 h", fine(likely, unit)),
            Some(likely) => format!("Opens by about {} {unit} per 100 h", fine(likely, unit)),
            None => "How it changes is known from one side only".to_owned(),
        };
        let ends = match (self.low, self.high) {
            (Some(low), Some(high)) => format!("{} to {} {unit} per 100 h", rate(low), rate(high)),
            (Some(low), None) => format!("{} {unit} per 100 h or more", rate(low)),
            (None, Some(high)) => format!("{} {unit} per 100 h or less", rate(high)),
            (None, None) => "open at both ends".to_owned(),
        };
        let pairs = count(self.pairs as usize, "pair", "pairs");
        let doubt = if self.agree { "" } else { " No one drift fits them all: it varies, or a reading is wrong." };
        format!("{likely} ({ends}), from {pairs} over {} h.{doubt}", self.hours)
    }

    /// No change that the leaves can tell: what that leaves open, and what follows.
    fn unchanged_words(&self, unit: LengthUnit) -> String {
        let by = |rate: Option<f64>| rate.map(|rate| fine(rate, unit)).filter(|text| !is_nothing(text));
        let closes = by(self.low).map(|by| format!("close by up to {by}"));
        let opens = by(self.high).map(|by| format!("open by up to {by}"));
        let ends: Vec<String> = closes.into_iter().chain(opens).collect();
        let finer = match (self.low, self.high) {
            (Some(_), Some(_)) if ends.is_empty() => String::new(),
            (Some(_), Some(_)) => format!(" Finer than the leaves tell: it may {} {unit} per 100 h.", ends.join(" or ")),
            _ => " The readings bound it from one side alone.".to_owned(),
        };
        let (pairs, hours) = (count(self.pairs as usize, "pair", "pairs"), self.hours);
        if !self.agree {
            return format!(
                "No change on the whole, from {pairs} over {hours} h, but no one drift fits them all: it varies, or a reading is wrong.{finer}"
            );
        }
        format!("No change seen, from {pairs} over {hours} h: keep to the card's interval.{finer}")
    }
}

impl HoursLeft {
    /// The range in a sentence: "Leaves its range in about 120.0 h (40.0 h at the earliest, perhaps never)."
    #[must_use]
    pub fn words(&self) -> String {
        if self.latest == Some(Hours::default()) {
            return "Outside its range now.".to_owned();
        }
        let Some(earliest) = self.earliest else { return "By its drift it does not leave its range.".to_owned() };
        let earliest = if earliest == Hours::default() { "perhaps already".to_owned() } else { format!("{earliest} h at the earliest") };
        let latest = self.latest.map_or_else(|| "perhaps never".to_owned(), |latest| format!("{latest} h at the latest"));
        let likely = match self.likely {
            Some(likely) if likely == Hours::default() => "Likely outside its range now".to_owned(),
            Some(likely) => format!("Leaves its range in about {likely} h"),
            None if self.likely_known => "Likely does not leave its range".to_owned(),
            None => "When it leaves its range is not known".to_owned(),
        };
        format!("{likely} ({earliest}, {latest}).")
    }
}

/// Whether a difference in words is none.
fn is_nothing(text: &str) -> bool {
    text.bytes().all(|b| matches!(b, b'0' | b'.'))
}

/// A difference without its sign, as finely as it means anything: a tenth of a thou, or a thousandth of a mm.
pub(crate) fn fine(tenth_um: f64, unit: LengthUnit) -> String {
    unit.worked_out(tenth_um.abs(), 1)
}

/// Whether values rise or fall over time more than chance explains.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MannKendall {
    /// Pairs that rise less pairs that fall.
    pub s: i64,
    /// The variance of S without a trend, corrected for ties.
    pub variance: f64,
    /// `(S ∓ 1) / √variance`; zero where S is zero.
    pub z: f64,
    /// The two-sided p-value by the normal approximation, rough below ten values.
    pub p: f64,
}

/// The Mann–Kendall test for a trend in values given in the order of time, up to [`MOST_POINTS`] of them. O(n²).
///
/// Give it values that were read without an adjustment between. Equal values tie; where all do, z is 0 and p is 1.
///
/// Source: formula from memory (Mann 1945, Kendall 1975), compared with pymannkendall 1.4.3.
///
/// # Errors
/// [`DriftError`] for fewer than two values, more than [`MOST_POINTS`], or one that is not finite.
pub fn mann_kendall(values: &[f64]) -> Result<MannKendall, DriftError> {
    if values.len() < 2 {
        return Err(DriftError::TooFew { given: values.len() });
    }
    if values.len() > MOST_POINTS {
        return Err(DriftError::TooMany { given: values.len() });
    }
    if values.iter().any(|value| !value.is_finite()) {
        return Err(DriftError::NotFinite);
    }
    let mut s = 0_i64;
    for (at, later) in values.iter().enumerate() {
        for earlier in values.iter().take(at) {
            s += i64::from(later > earlier) - i64::from(later < earlier);
        }
    }
    let mut sorted = values.to_vec();
    // `partial_cmp` and not `total_cmp`, which would part 0.0 from −0.0; no NaN is left.
    sorted.sort_by(|a, b| a.partial_cmp(b).unwrap_or(std::cmp::Ordering::Equal));
    let ties: f64 = sorted.chunk_by(|a, b| a == b).map(|run| kendall(run.len() as f64)).sum();
    let variance = (kendall(values.len() as f64) - ties) / 18.0;
    let z = if s == 0 { 0.0 } else { (s - s.signum()) as f64 / variance.sqrt() };
    Ok(MannKendall { s, variance, z, p: (2.0 * Normal::standard().sf(z.abs())).min(1.0) })
}

#[cfg(test)]
mod tests;
