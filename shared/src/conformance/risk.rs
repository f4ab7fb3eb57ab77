//! Global risks: of all valves that come by, how many are bad and accepted, or good and rejected.
//!
//! They take a *prior*: how the true values are spread over all the parts before one is measured. Definitions as in
//! JCGM 106:2012 clause 9 (its example 9.5.4 read second-hand, the rest from memory). With prior density `g`, measured
//! value `y` normal about the true one with standard uncertainty `u`, and `P(x)` the probability that a part of true
//! value `x` is measured inside the acceptance limits:
//!
//! - consumer's risk: the integral of `g·P` over all `x` outside the tolerance,
//! - producer's risk: the integral of `g·(1 − P)` over all `x` inside it.
//!
//! All values of a call in one unit, whichever. Quadrature: Gauss–Legendre with 16 points on pieces no longer than
//! either the prior's standard deviation or `u` wherever the integrand changes, on which its own error is below 1e-18;
//! what lies past the last piece (10 deviations of a normal prior, 45 of a gamma) is below 1e-19. What remains is
//! rounding: the answers are right to 1e-12 absolutely (1e-11 for a gamma prior of large shape). A risk far below that is
//! not resolved.

use statrs::function::gamma::{checked_gamma_ur, ln_gamma};

use super::{ConformanceError, check_limits, check_uncertainty, density, finite, phi, phi_between, quantile};

/// The most that a gamma prior's shape may be: beyond it is a normal prior in all but name.
pub const MOST_SHAPE: f64 = 1000.0;

/// Points of the quadrature on one piece.
const POINTS: u32 = 16;

/// How the true values are spread over the parts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Prior {
    /// Normal.
    Normal {
        /// Its mean.
        mean: f64,
        /// Its standard deviation, above zero.
        sd: f64,
    },
    /// Gamma: density `x^(shape − 1)·exp(−x/scale)` above zero, for values that cannot be negative.
    Gamma {
        /// Its shape, 1 to [`MOST_SHAPE`]. Below 1 the density has no bound at zero, which no clearance does.
        shape: f64,
        /// Its scale, above zero.
        scale: f64,
    },
}

/// A low and a high limit, either of which may be missing.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Limits {
    /// The low limit.
    pub low: Option<f64>,
    /// The high limit.
    pub high: Option<f64>,
}

/// A prior with its own mean or zero as origin and its own width as unit, so that no size of input overflows.
#[derive(Clone, Copy)]
enum Standard {
    Normal,
    Gamma { shape: f64 },
}

/// One call's inputs in the prior's own unit.
struct Case {
    prior: Standard,
    tolerance: (f64, f64),
    acceptance: (f64, f64),
    u: f64,
}

/// The share of parts outside the tolerance, 0 to 1.
///
/// # Errors
/// [`ConformanceError`] where the prior cannot be, or the tolerance has no limit or no width.
pub fn nonconforming_share(prior: Prior, tolerance: Limits) -> Result<f64, ConformanceError> {
    let case = Case::new(prior, tolerance, Limits::default(), 0.0)?;
    Ok((case.prior.below(case.tolerance.0) + case.prior.above(case.tolerance.1)).clamp(0.0, 1.0))
}

/// The consumer's risk: the share of all parts that are outside the tolerance and yet accepted, 0 to 1.
///
/// The acceptance limits may lie inside the tolerance, outside it or be missing; a missing one rejects nothing.
///
/// # Errors
/// [`ConformanceError`] where the prior cannot be, the tolerance has no limit or no width, the acceptance limits are
/// crossed, or `u` is below zero.
pub fn consumer_risk(prior: Prior, tolerance: Limits, acceptance: Limits, u: f64) -> Result<f64, ConformanceError> {
    Ok(Case::new(prior, tolerance, acceptance, u)?.consumer_risk())
}

/// The producer's risk: the share of all parts that are inside the tolerance and yet rejected, 0 to 1.
///
/// # Errors
/// As [`consumer_risk`].
pub fn producer_risk(prior: Prior, tolerance: Limits, acceptance: Limits, u: f64) -> Result<f64, ConformanceError> {
    let case = Case::new(prior, tolerance, acceptance, u)?;
    Ok(case.integral(case.tolerance, |x| case.rejected(x)))
}

/// The least guard band, the same at each limit of the tolerance, that keeps the consumer's risk to `risk`; zero where
/// it is kept without one.
///
/// # Errors
/// As [`consumer_risk`], and where `risk` is not above 0 and below 1.
pub fn guard_for_consumer_risk(prior: Prior, tolerance: Limits, u: f64, risk: f64) -> Result<f64, ConformanceError> {
    if !(risk > 0.0 && risk < 1.0) {
        return Err(ConformanceError::Risk { given: risk });
    }
    let kept = |guard: f64| -> Result<bool, ConformanceError> {
        let acceptance = Limits { low: tolerance.low.map(|low| low + guard), high: tolerance.high.map(|high| high - guard) };
        if matches!(acceptance, Limits { low: Some(low), high: Some(high) } if low >= high) {
            return Ok(true);
        }
        Ok(Case::new(prior, tolerance, acceptance, u)?.consumer_risk() <= risk)
    };
    let mut short = 0.0;
    if kept(short)? {
        return Ok(short);
    }
    // Enough in any case: a part outside the tolerance is accepted with at most Φ(−guard/u), and with nothing at all
    // where the guard bands meet. Halved before subtracting, because the whole width could overflow.
    let mut enough = -quantile(risk) * u;
    if let (Some(low), Some(high)) = (tolerance.low, tolerance.high) {
        enough = enough.min(high / 2.0 - low / 2.0);
    }
    finite(enough, "guard band")?;
    loop {
        let middle = f64::midpoint(short, enough);
        if middle <= short || middle >= enough {
            return Ok(enough);
        }
        if kept(middle)? {
            enough = middle;
        } else {
            short = middle;
        }
    }
}

impl Case {
    fn new(prior: Prior, tolerance: Limits, acceptance: Limits, u: f64) -> Result<Self, ConformanceError> {
        check_uncertainty(u)?;
        check_limits(tolerance.low, tolerance.high)?;
        match check_limits(acceptance.low, acceptance.high) {
            // Accepting everything, or nothing, is a rule too.
            Ok(()) | Err(ConformanceError::NoLimit) => {}
            Err(ConformanceError::NoRange) if acceptance.low == acceptance.high => {}
            Err(error) => return Err(error),
        }
        let no_prior = |why| Err(ConformanceError::Prior { why });
        let (origin, unit, standard) = match prior {
            Prior::Normal { mean, sd } => {
                finite(mean, "mean")?;
                finite(sd, "standard deviation")?;
                if sd <= 0.0 {
                    return no_prior("its standard deviation is above zero");
                }
                (mean, sd, Standard::Normal)
            }
            Prior::Gamma { shape, scale } => {
                finite(scale, "scale")?;
                if scale <= 0.0 {
                    return no_prior("its scale is above zero");
                }
                if !(1.0..=MOST_SHAPE).contains(&shape) {
                    return no_prior("the shape of a gamma distribution is 1 to 1000 here");
                }
                (0.0, scale, Standard::Gamma { shape })
            }
        };
        let ends = |limits: Limits| {
            (
                limits.low.map_or(f64::NEG_INFINITY, |low| (low - origin) / unit),
                limits.high.map_or(f64::INFINITY, |high| (high - origin) / unit),
            )
        };
        let case = Self { prior: standard, tolerance: ends(tolerance), acceptance: ends(acceptance), u: u / unit };
        if !case.u.is_finite() {
            return no_prior("it is too narrow beside the measurement's uncertainty");
        }
        Ok(case)
    }

    fn consumer_risk(&self) -> f64 {
        let (low, high) = self.tolerance;
        let accepted = |x: f64| self.accepted(x);
        self.integral((f64::NEG_INFINITY, low), accepted) + self.integral((high, f64::INFINITY), accepted)
    }

    /// The probability that a part of true value `x` is measured inside the acceptance limits.
    fn accepted(&self, x: f64) -> f64 {
        let (low, high) = self.acceptance;
        if self.u > 0.0 {
            phi_between((low - x) / self.u, (high - x) / self.u)
        } else if low <= x && x <= high {
            1.0
        } else {
            0.0
        }
    }

    /// One minus [`Case::accepted`], from the tails, so that a small one keeps its digits.
    fn rejected(&self, x: f64) -> f64 {
        let (low, high) = self.acceptance;
        if self.u > 0.0 { phi((low - x) / self.u) + phi((x - high) / self.u) } else { 1.0 - self.accepted(x) }
    }

    /// The integral of the prior's density times `factor` over `from` to `to`.
    fn integral(&self, (from, to): (f64, f64), factor: impl Fn(f64) -> f64) -> f64 {
        let mut cuts = self.prior.cuts();
        let (Some(first), Some(last)) = (cuts.first().copied(), cuts.last().copied()) else { return 0.0 };
        let (from, to) = (from.max(first), to.min(last));
        if from >= to {
            return 0.0;
        }
        let (low, high) = self.acceptance;
        cuts.extend((-10..=10).flat_map(|steps| [low + f64::from(steps) * self.u, high + f64::from(steps) * self.u]));
        cuts.retain(|cut| from < *cut && *cut < to);
        cuts.extend([from, to]);
        cuts.sort_by(f64::total_cmp);
        let points = gauss_legendre();
        let piece = |ends: &[f64]| {
            let [start, end] = ends else { return 0.0 };
            let (middle, half) = (f64::midpoint(*start, *end), (end - start) / 2.0);
            let value = |(node, weight): &(f64, f64)| {
                let x = middle + half * node;
                weight * self.prior.density(x) * factor(x)
            };
            half * points.iter().map(value).sum::<f64>()
        };
        cuts.windows(2).map(piece).sum::<f64>().clamp(0.0, 1.0)
    }
}

impl Standard {
    fn density(self, x: f64) -> f64 {
        match self {
            Self::Normal => density(x),
            // Only asked above zero: its pieces begin there, and the points of a piece lie inside it.
            Self::Gamma { shape } => ((shape - 1.0) * x.ln() - x - ln_gamma(shape)).exp(),
        }
    }

    fn below(self, x: f64) -> f64 {
        match self {
            Self::Normal => phi(x),
            Self::Gamma { .. } => 1.0 - self.above(x),
        }
    }

    fn above(self, x: f64) -> f64 {
        match self {
            Self::Normal => phi(-x),
            Self::Gamma { .. } if x <= 0.0 => 1.0,
            // At infinity, which that function does not take, nothing is left.
            Self::Gamma { shape } => checked_gamma_ur(shape, x).unwrap_or(0.0),
        }
    }

    /// Where the density is cut into pieces, in order: one standard deviation each and, for a gamma prior, halved again
    /// and again toward zero, where a power that is not whole has no smooth density.
    fn cuts(self) -> Vec<f64> {
        match self {
            Self::Normal => (-10..=10).map(f64::from).collect(),
            Self::Gamma { shape } => {
                let halved = (0..=60).map(|times| shape * 0.5f64.powi(times));
                let stepped = (-32..=45).map(|steps| shape + f64::from(steps) * shape.sqrt()).filter(|cut| *cut > 0.0);
                let mut cuts: Vec<f64> = halved.chain(stepped).chain([0.0]).collect();
                cuts.sort_by(f64::total_cmp);
                cuts
            }
        }
    }
}

/// The points and weights of Gauss–Legendre quadrature on −1 to 1, by Newton's method on the Legendre polynomial.
fn gauss_legendre() -> Vec<(f64, f64)> {
    let count = f64::from(POINTS);
    let point = |index: u32| {
        let mut x = (std::f64::consts::PI * (f64::from(index) + 0.75) / (count + 0.5)).cos();
        let mut slope = 1.0;
        // From this start it is at its last digit after four steps.
        for _ in 0..8 {
            let (mut before, mut value) = (1.0, x);
            for degree in 2..=POINTS {
                let n = f64::from(degree);
                (before, value) = (value, ((2.0 * n - 1.0) * x * value - (n - 1.0) * before) / n);
            }
            slope = count * (x * value - before) / (x * x - 1.0);
            x -= value / slope;
        }
        (x, 2.0 / ((1.0 - x * x) * slope * slope))
    };
    (0..POINTS).map(point).collect()
}

#[cfg(test)]
mod tests;
