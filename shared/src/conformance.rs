//! Conformance: how probable it is that a clearance lies in its range, and what a reading proves at a stated level.
//!
//! The verdict of [`crate::verdict`] takes leaves and feel as exact. Here both may be off by a stated standard
//! uncertainty, and the answer is a probability (JCGM 106:2012) held against a level, by default the 95 % of ISO
//! 14253-1:2017. Both documents are known here second-hand: not opened. A probability informs; it never turns a
//! verdict that is not settled into *in spec*.
//!
//! Φ below is the standard normal distribution function, φ its density. Probabilities are right to 1e-12 unless a
//! function says otherwise.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal};
use statrs::function::gamma::checked_gamma_ur;

use crate::bracket::Bracket;
use crate::engine_card::Range;
use crate::leaf::THICKEST_LEAF;
use crate::length::{Length, LengthUnit};

/// The conformance probability that is asked for where nobody names another: 95 %. ISO 14253-1:2017, second-hand.
pub const DEFAULT_LEVEL: f64 = 0.95;

/// What leaves and feel add to a reading, as standard uncertainties in tenths of a µm.
///
/// Both are inputs with their source: no published tolerance table could be read, so none is built in. Someone who
/// knows only that a leaf is within ±t, and nothing of where, states t/√3 (JCGM 100:2008 4.3.7, from memory).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Spread {
    /// Standard uncertainty of a leaf's thickness, tenths of a µm; zero to [`THICKEST_LEAF`].
    pub leaf_tenth_um: f64,
    /// Standard uncertainty of the feel of one leaf, tenths of a µm; zero to [`THICKEST_LEAF`].
    pub feel_tenth_um: f64,
    /// Where the two were read, or how they were found. Never empty.
    pub source: String,
}

/// What a reading proves.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Decision {
    /// In the range, with at least the level's probability.
    Accept,
    /// Outside the range, with at least the level's probability.
    Reject,
    /// Neither is proven.
    NotProven,
}

/// A decision, with all that it rests on.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Decided {
    /// What is proven.
    pub decision: Decision,
    /// The probability that the clearance lies in the range, 0 to 1.
    pub probability: f64,
    /// The level it was held against, 0.5 to below 1.
    pub level: f64,
    /// The reading.
    pub bracket: Bracket,
    /// The range it was held against.
    pub range: Range,
    /// The source of the stated uncertainty.
    pub source: String,
}

/// Where a single value must lie to be accepted, in tenths of a µm, both ends included.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AcceptanceZone {
    /// Its low end.
    pub low_tenth_um: f64,
    /// Its high end.
    pub high_tenth_um: f64,
}

/// Why no probability, limit or decision can be given.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ConformanceError {
    /// A value that is no finite number.
    #[error("the {what} is not a finite number")]
    NotFinite {
        /// Which value.
        what: &'static str,
    },
    /// A standard uncertainty below zero, or over what this work can mean.
    #[error("a standard uncertainty of {given} cannot be: it is zero or more, and that of a leaf or its feel at most 1.5 mm")]
    Uncertainty {
        /// What was given, in the unit of the call.
        given: f64,
    },
    /// No limit on either side.
    #[error("there is no limit to hold the value against: name a low one, a high one, or both")]
    NoLimit,
    /// A low limit that is not below the high one.
    #[error("the limits are no range: the low one lies below the high one")]
    NoRange,
    /// A bracket with an open edge.
    #[error("nothing can be said of an open bracket: it takes a leaf that entered and one that did not")]
    OpenBracket,
    /// A level outside 0.5 to below 1.
    #[error("a level of {given} cannot be asked for: it is at least 0.5 and below 1, as in 0.95")]
    Level {
        /// What was given.
        given: f64,
    },
    /// A spread that does not say where it comes from.
    #[error("the uncertainty of leaves and feel needs its source: where it was read, or how it was found")]
    NoSource,
}

impl Spread {
    /// The standard uncertainty of one edge of a bracket in tenths of a µm: the root of the sum of both squares.
    ///
    /// # Errors
    /// [`ConformanceError`] where either is not finite, below zero or over [`THICKEST_LEAF`], or no source is named.
    pub fn combined_tenth_um(&self) -> Result<f64, ConformanceError> {
        if self.source.trim().is_empty() {
            return Err(ConformanceError::NoSource);
        }
        for given in [self.leaf_tenth_um, self.feel_tenth_um] {
            check_uncertainty(given)?;
            if given > tenths(THICKEST_LEAF) {
                return Err(ConformanceError::Uncertainty { given });
            }
        }
        Ok(self.leaf_tenth_um.hypot(self.feel_tenth_um))
    }
}

impl Decision {
    /// What a probability proves at a level: [`Decision::Accept`] from the level up, [`Decision::Reject`] from one
    /// minus the level down. The second is the mirrored band outside the limits (JCGM 106:2012 8.3, from memory).
    ///
    /// # Errors
    /// [`ConformanceError`] where the probability is not a number or the level is not 0.5 to below 1.
    pub fn of(probability: f64, level: f64) -> Result<Self, ConformanceError> {
        check_level(level)?;
        finite(probability, "probability")?;
        Ok(Self::at(probability, level))
    }

    /// The decision in a word or three: "accept", "reject", "not proven either way".
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Accept => "accept",
            Self::Reject => "reject",
            Self::NotProven => "not proven either way",
        }
    }

    fn at(probability: f64, level: f64) -> Self {
        if probability >= level {
            Self::Accept
        } else if probability <= 1.0 - level {
            Self::Reject
        } else {
            Self::NotProven
        }
    }
}

impl Decided {
    /// The decision, its probability and what was asked, in plain sentences. The probability is shown with as many
    /// decimals as it takes to stand on the right side of the level, and never shown as surer than it is.
    #[must_use]
    pub fn words(&self, unit: LengthUnit) -> String {
        let read = self.bracket.show(unit);
        let wanted = format!("{} to {}", self.range.low.show_bare(unit), self.range.high.show(unit));
        let asked = percent(self.level);
        let probable = format!("the clearance lies in {wanted} with {} probability", self.shown_probability());
        let said = match self.decision {
            Decision::Accept => format!("Accept: read {read}, {probable}, and {asked} is asked for."),
            Decision::Reject => format!("Reject: read {read}, {probable}; so it is proven outside at {asked}."),
            Decision::NotProven => {
                let refused = percent(1.0 - self.level);
                format!("Not proven either way: read {read}, {probable}; {asked} would accept it, {refused} would reject it.")
            }
        };
        format!("{said} Uncertainty of leaves and feel: {}.", self.source.trim().trim_end_matches('.'))
    }

    fn shown_probability(&self) -> String {
        for places in 1..=9 {
            let scale = 10f64.powi(places + 2);
            let scaled = self.probability * scale;
            // Toward one half: a figure never claims more than is there.
            let shown = if self.probability >= 0.5 { scaled.floor() } else { scaled.ceil() } / scale;
            if Decision::at(shown, self.level) == self.decision {
                return percent(shown);
            }
        }
        percent(self.probability)
    }
}

/// The probability that a value lies between limits, where it was measured as `y` with standard uncertainty `u` and
/// nothing else is known of it: `Φ((high − y)/u) − Φ((low − y)/u)`; a missing limit is infinitely far away.
///
/// All four in one unit, whichever. `u` may be zero: then 1 where `y` lies within the limits, ends included, else 0.
/// JCGM 106:2012 7.4 and 7.5 (from memory).
///
/// # Errors
/// [`ConformanceError`] where a value is not finite, `u` is below zero, both limits are missing, or the low one is
/// not below the high one.
pub fn conformance_normal(y: f64, u: f64, low: Option<f64>, high: Option<f64>) -> Result<f64, ConformanceError> {
    finite(y, "value")?;
    check_uncertainty(u)?;
    check_limits(low, high)?;
    if u == 0.0 {
        let inside = low.is_none_or(|low| low <= y) && high.is_none_or(|high| y <= high);
        return Ok(if inside { 1.0 } else { 0.0 });
    }
    let below = low.map_or(f64::NEG_INFINITY, |low| (low - y) / u);
    let above = high.map_or(f64::INFINITY, |high| (high - y) / u);
    Ok(phi_between(below, above))
}

/// The probability that a clearance read as a bracket lies in a range.
///
/// The clearance is taken as equally probable everywhere in the bracket `a` to `b`, both ends blurred by the combined
/// spread `s`: density `[Φ((x − a)/s) − Φ((x − b)/s)]/(b − a)`. Integrated in closed form with `G(z) = zΦ(z) + φ(z)`:
/// `P(clearance < x) = s/(b − a) · [G((x − a)/s) − G((x − b)/s)]`. With `s = 0` it is the overlap of bracket and range
/// over the bracket's width. One blur for both ends: exact where both leaves err alike, as leaves of one set do.
/// Derived; checked outside this crate by quadrature. Error below 1e-15 · (1 + s/(b − a)).
///
/// # Errors
/// [`ConformanceError`] where the bracket has an open edge, the range is none, or the spread cannot be.
pub fn conformance_bracket(bracket: &Bracket, range: &Range, spread: &Spread) -> Result<f64, ConformanceError> {
    let s = spread.combined_tenth_um()?;
    check_range(range)?;
    let (Some(go), Some(no_go)) = (bracket.go(), bracket.no_go()) else { return Err(ConformanceError::OpenBracket) };
    // The width times P(clearance < x). G(z) is split into max(z, 0) and what is left, so that no large numbers are
    // subtracted where the spread is small beside the distances.
    let below = |x: Length| {
        let (from_go, from_no_go) = (tenths(x.minus(go)), tenths(x.minus(no_go)));
        let overlap = from_go.max(0.0) - from_no_go.max(0.0);
        if s == 0.0 { overlap } else { overlap + s * (blur(from_go / s) - blur(from_no_go / s)) }
    };
    Ok(((below(range.high) - below(range.low)) / tenths(no_go.minus(go))).clamp(0.0, 1.0))
}

/// What a reading proves of a range at a level, which is at least 0.5 and below 1; [`DEFAULT_LEVEL`] where nobody asks
/// for another. For readings that [`crate::verdict::judge_on_card`] would judge: not for a warm engine, nor for a card
/// without a source.
///
/// # Errors
/// As [`conformance_bracket`], and where the level cannot be.
pub fn decide(bracket: &Bracket, range: &Range, spread: &Spread, level: f64) -> Result<Decided, ConformanceError> {
    check_level(level)?;
    let probability = conformance_bracket(bracket, range, spread)?;
    let decision = Decision::at(probability, level);
    Ok(Decided { decision, probability, level, bracket: *bracket, range: *range, source: spread.source.clone() })
}

/// Between which values a single measured value of standard uncertainty `u_tenth_um` (tenths of a µm) proves, at a
/// level, that a clearance lies in a range. `None` where no value can: at 95 %, where the range is under 3.919928 `u`.
///
/// Solved with both ends at once: a guard band of 1.645 `u` at each end is right only where the range is wide beside
/// `u`; at a range of 4 `u` it takes 1.796 `u`. JCGM 106:2012 8.3 (from memory), ISO 14253-1:2017 (second-hand). The
/// ends are right to 1e-9 `u`, unless the range is within 1e-9 of the least: there the probability hardly changes.
///
/// # Errors
/// [`ConformanceError`] where the range is none, `u_tenth_um` is below zero or not finite, or the level cannot be.
pub fn acceptance_limits(range: &Range, u_tenth_um: f64, level: f64) -> Result<Option<AcceptanceZone>, ConformanceError> {
    check_range(range)?;
    check_uncertainty(u_tenth_um)?;
    check_level(level)?;
    let (low, high) = (tenths(range.low), tenths(range.high));
    if u_tenth_um == 0.0 {
        return Ok(Some(AcceptanceZone { low_tenth_um: low, high_tenth_um: high }));
    }
    let width = tenths(range.high.minus(range.low)) / u_tenth_um;
    Ok(guard_over_u(width, level)
        .map(|guard| AcceptanceZone { low_tenth_um: low + guard * u_tenth_um, high_tenth_um: high - guard * u_tenth_um }))
}

/// The guard band over `u` at each end of a range that is `width` times `u`: the smallest `g` with
/// `Φ(g) − Φ(g − width) ≥ level`. The left side rises up to the middle of the range, and lies below `Φ(g)`.
fn guard_over_u(width: f64, level: f64) -> Option<f64> {
    let proven = |guard: f64| phi_between(guard - width, guard) >= level;
    let (mut short, mut enough) = (quantile(level), width / 2.0);
    if !proven(enough) {
        return None;
    }
    if proven(short) {
        return Some(short);
    }
    loop {
        let middle = f64::midpoint(short, enough);
        if middle <= short || middle >= enough {
            return Some(enough);
        }
        if proven(middle) {
            enough = middle;
        } else {
            short = middle;
        }
    }
}

/// Φ, by the incomplete gamma function: `statrs`' own normal distribution is off by up to 5e-11, and jumps by that
/// much at a few places, which would stop a bisection short.
pub(crate) fn phi(z: f64) -> f64 {
    if z.is_nan() {
        return z;
    }
    let half_square = z * z / 2.0;
    // Past the ends of what the incomplete gamma function takes: zero (or too small to square), and infinity.
    let both_tails = if half_square <= 0.0 { 1.0 } else { checked_gamma_ur(0.5, half_square).unwrap_or(0.0) };
    if z < 0.0 { both_tails / 2.0 } else { 1.0 - both_tails / 2.0 }
}

/// Φ(above) − Φ(below), by the tails where both are positive, so that a small difference keeps its digits.
pub(crate) fn phi_between(below: f64, above: f64) -> f64 {
    let between = if below > 0.0 { phi(-below) - phi(-above) } else { phi(above) - phi(below) };
    between.clamp(0.0, 1.0)
}

/// The value below which a standard normal variable lies with probability `p`, which must lie strictly between 0 and
/// 1: else not a number. By `statrs`, whose inverse is within 5e-15 of what Φ above would have (its Φ is not).
pub(crate) fn quantile(p: f64) -> f64 {
    if p > 0.0 && p < 1.0 { Normal::standard().inverse_cdf(p) } else { f64::NAN }
}

/// φ.
pub(crate) fn density(z: f64) -> f64 {
    (-z * z / 2.0).exp() / (2.0 * std::f64::consts::PI).sqrt()
}

/// G(z) − max(z, 0): even in z, 0.4 at zero and soon nothing.
fn blur(z: f64) -> f64 {
    let z = z.abs();
    if z.is_finite() { (density(z) - z * phi(-z)).max(0.0) } else { 0.0 }
}

pub(crate) fn finite(value: f64, what: &'static str) -> Result<(), ConformanceError> {
    if value.is_finite() { Ok(()) } else { Err(ConformanceError::NotFinite { what }) }
}

pub(crate) fn check_uncertainty(u: f64) -> Result<(), ConformanceError> {
    finite(u, "standard uncertainty")?;
    if u < 0.0 { Err(ConformanceError::Uncertainty { given: u }) } else { Ok(()) }
}

pub(crate) fn check_limits(low: Option<f64>, high: Option<f64>) -> Result<(), ConformanceError> {
    for limit in [low, high].into_iter().flatten() {
        finite(limit, "limit")?;
    }
    match (low, high) {
        (None, None) => Err(ConformanceError::NoLimit),
        (Some(low), Some(high)) if low >= high => Err(ConformanceError::NoRange),
        _ => Ok(()),
    }
}

fn check_range(range: &Range) -> Result<(), ConformanceError> {
    if range.low <= Length::ZERO || range.low >= range.high { Err(ConformanceError::NoRange) } else { Ok(()) }
}

fn check_level(level: f64) -> Result<(), ConformanceError> {
    if (0.5..1.0).contains(&level) { Ok(()) } else { Err(ConformanceError::Level { given: level }) }
}

#[expect(clippy::cast_precision_loss, reason = "clearances are below 2^53 tenths; longer ones lose what no leaf shows")]
fn tenths(length: Length) -> f64 {
    length.tenth_um() as f64
}

/// A probability in percent, with at most nine decimals and no zeros at the end.
fn percent(probability: f64) -> String {
    let shown = format!("{:.9}", probability * 100.0);
    format!("{} %", shown.trim_end_matches('0').trim_end_matches('.'))
}

#[cfg(test)]
mod tests;
